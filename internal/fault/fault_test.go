package fault_test

import (
	"errors"
	"fmt"
	"io"
	"testing"

	"huskline/internal/fault"
)

func TestKindsSurviveWrapping(t *testing.T) {
	t.Parallel()
	err := fmt.Errorf("receive D-1: %w", fault.Precondition("lot_short", "lot %s: %w", "D-1", io.EOF))
	if fault.KindOf(err) != fault.KindPrecondition || fault.ReasonOf(err) != "lot_short" || !fault.Refused(err) || !errors.Is(err, io.EOF) {
		t.Errorf("kind %v, reason %q, refused %t, cause kept %t", fault.KindOf(err), fault.ReasonOf(err), fault.Refused(err), errors.Is(err, io.EOF))
	}
	if err.Error() != "receive D-1: lot D-1: EOF" {
		t.Errorf("text %q", err)
	}
}

func TestNotARefusal(t *testing.T) {
	t.Parallel()
	for _, err := range []error{io.EOF, fault.Unavailable("behind", "behind"), fault.Bug("sum %d", 1), nil} {
		if fault.Refused(err) {
			t.Errorf("%v counts as refused", err)
		}
	}
}
