package storm

func tradeFaults() []Fault { return nil }
