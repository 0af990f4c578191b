package inbox

import "huskline/internal/lot"

// OwnMoved says that more of this service's own past is there than before: events that wait for it are looked at again. It does not block.
func (in *Inbox) OwnMoved() {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.announce()
}

// Reached tells, without waiting, whether the events up to these places have been settled here. Places of this service itself and of
// producers whose events are not taken are.
func (in *Inbox) Reached(receipts []lot.Receipt) bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	for _, r := range receipts {
		if in.sources[r.Producer] != nil && (!in.loaded || !in.feed.Reached(r)) {
			return false
		}
	}
	return true
}
