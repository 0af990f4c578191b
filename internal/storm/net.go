package storm

func netFaults() []Fault { return nil }
