package weighqueue

import (
	"errors"
	"fmt"
	"os"

	"huskline/internal/fault"
)

// Look lists what is set aside in a folder's queue, without taking it: a process that uses it goes on. What that process writes meanwhile may be left out.
func Look(dir string) ([]Aside, error) {
	q := &Queue{cfg: Config{Dir: dir}, state: newState()}
	var err error
	q.file, err = os.Open(q.path("queue"))
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil, fault.NotFound("queue_unknown", "queue %s: there is none in this folder", dir)
	case err != nil:
		return nil, err
	}
	defer func() { _ = q.file.Close() }()
	if _, err := q.replay(); err != nil {
		return nil, fmt.Errorf("look at queue %s: %w", dir, err)
	}
	return q.Aside(), nil
}
