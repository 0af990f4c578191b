package storm

func storeFaults() []Fault { return nil }
