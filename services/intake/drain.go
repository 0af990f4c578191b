package intake

// Drain ends what callers hold open without end, before the door waits for their calls.
func (s *Service) Drain() { s.view.Close() }
