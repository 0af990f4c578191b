package storm

func busFaults() []Fault { return nil }
