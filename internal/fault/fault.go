// Package fault says what kind of failure an error is, so that every door (gRPC, HTTP, command line, bus) can answer alike.
package fault

import (
	"errors"
	"fmt"
	"runtime/debug"
)

// Kind is what a caller can do about a failure.
type Kind int

// The kinds. Internal is anything unnamed; its text stays in our log.
const (
	KindInternal        Kind = iota
	KindInvalid              // the request breaks a rule of form: repeat it changed
	KindNotFound             // what it names is not there
	KindConflict             // it excludes, or contradicts, something accepted before
	KindPrecondition         // a rule of the business forbids it now
	KindUnavailable          // try again with the same id
	KindDenied               // the caller has no right to it
	KindUnauthenticated      // the caller is not known
)

// Error is a failure with a kind and a reason that stays the same for good.
type Error struct {
	Kind   Kind
	Reason string // snake_case, part of the contract
	text   string
	cause  error
}

// Error is the text for people: what was being done, to which thing, the rule and the limit.
func (e *Error) Error() string { return e.text }

// Unwrap gives the error named by %w, if there was one.
func (e *Error) Unwrap() error { return e.cause }

// New makes an error of a kind; format and args as in fmt.Errorf.
func New(kind Kind, reason, format string, args ...any) error {
	wrapped := fmt.Errorf(format, args...)
	return &Error{Kind: kind, Reason: reason, text: wrapped.Error(), cause: errors.Unwrap(wrapped)}
}

// Invalid is a request that breaks a rule of form.
func Invalid(reason, format string, args ...any) error {
	return New(KindInvalid, reason, format, args...)
}

// NotFound is a request that names a thing that is not there.
func NotFound(reason, format string, args ...any) error {
	return New(KindNotFound, reason, format, args...)
}

// Conflict is a request that contradicts an accepted one.
func Conflict(reason, format string, args ...any) error {
	return New(KindConflict, reason, format, args...)
}

// Precondition is a request that a rule of the business forbids as things stand.
func Precondition(reason, format string, args ...any) error {
	return New(KindPrecondition, reason, format, args...)
}

// Unavailable is a request that may succeed if repeated with the same id.
func Unavailable(reason, format string, args ...any) error {
	return New(KindUnavailable, reason, format, args...)
}

// Denied is a request by a known caller without the role for it.
func Denied(reason, format string, args ...any) error {
	return New(KindDenied, reason, format, args...)
}

// Unauthenticated is a request by a caller who is not known.
func Unauthenticated(reason, format string, args ...any) error {
	return New(KindUnauthenticated, reason, format, args...)
}

// BugError is a broken invariant: never the caller's doing, never to be repaired by a retry.
type BugError struct {
	text  string
	Stack []byte
}

// Error is the invariant and the values that broke it.
func (b *BugError) Error() string { return b.text }

// Bug reports a broken invariant with its stack.
func Bug(format string, args ...any) error {
	return &BugError{text: fmt.Sprintf(format, args...), Stack: debug.Stack()}
}

// Of finds the Error in err's chain.
func Of(err error) (*Error, bool) {
	var e *Error
	ok := errors.As(err, &e)
	return e, ok
}

// KindOf is the kind of err, KindInternal where it has none.
func KindOf(err error) Kind {
	if e, ok := Of(err); ok {
		return e.Kind
	}
	return KindInternal
}

// ReasonOf is the stable reason of err, "" where it has none.
func ReasonOf(err error) string {
	if e, ok := Of(err); ok {
		return e.Reason
	}
	return ""
}

// Refused tells whether err is a judgement on the request (of form or of business), as against a failure of ours: a refusal left no effect.
func Refused(err error) bool {
	switch KindOf(err) {
	case KindInvalid, KindNotFound, KindConflict, KindPrecondition, KindDenied, KindUnauthenticated:
		return true
	}
	return false
}
