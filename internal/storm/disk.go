package storm

func diskFaults() []Fault { return nil }
