package storm

func clockFaults() []Fault { return nil }
