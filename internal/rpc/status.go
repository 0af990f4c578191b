package rpc

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"huskline/internal/fault"
)

// domain is the ErrorInfo domain of our reasons.
const domain = "huskline"

var codeOf = map[fault.Kind]codes.Code{
	fault.KindInvalid:         codes.InvalidArgument,
	fault.KindNotFound:        codes.NotFound,
	fault.KindConflict:        codes.AlreadyExists,
	fault.KindPrecondition:    codes.FailedPrecondition,
	fault.KindUnavailable:     codes.Unavailable,
	fault.KindDenied:          codes.PermissionDenied,
	fault.KindUnauthenticated: codes.Unauthenticated,
}

var kindOf = map[codes.Code]fault.Kind{
	codes.InvalidArgument:    fault.KindInvalid,
	codes.OutOfRange:         fault.KindInvalid,
	codes.ResourceExhausted:  fault.KindInvalid,
	codes.NotFound:           fault.KindNotFound,
	codes.AlreadyExists:      fault.KindConflict,
	codes.FailedPrecondition: fault.KindPrecondition,
	codes.Unavailable:        fault.KindUnavailable,
	codes.DeadlineExceeded:   fault.KindUnavailable,
	codes.Aborted:            fault.KindUnavailable,
	codes.PermissionDenied:   fault.KindDenied,
	codes.Unauthenticated:    fault.KindUnauthenticated,
}

// ToStatus turns an error into what the wire may say. Anything that is no fault becomes Internal with no text of ours; that stays in the log.
func ToStatus(err error) error {
	if err == nil {
		return nil
	}
	if f, ok := fault.Of(err); ok && f.Kind != fault.KindInternal {
		st := status.New(codeOf[f.Kind], err.Error())
		if with, e := st.WithDetails(&errdetails.ErrorInfo{Reason: f.Reason, Domain: domain}); e == nil {
			st = with
		}
		return st.Err()
	}
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return status.Error(codes.DeadlineExceeded, "the deadline passed; the command may have been accepted: repeat it with the same id")
	case errors.Is(err, context.Canceled):
		return status.Error(codes.Canceled, "canceled")
	}
	if st, ok := status.FromError(err); ok {
		return st.Err()
	}
	return status.Error(codes.Internal, "internal error; the service's log has the cause")
}

// FromStatus turns an answer of the wire into a fault again, with its reason where it has one. Nil stays nil.
func FromStatus(err error) error {
	if err == nil {
		return nil
	}
	if _, ok := fault.Of(err); ok {
		return err
	}
	st, ok := status.FromError(err)
	if !ok {
		return err
	}
	kind, known := kindOf[st.Code()]
	if !known {
		return err
	}
	reason := st.Code().String()
	for _, d := range st.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == domain {
			reason = info.GetReason()
		}
	}
	return fault.New(kind, reason, "%s", plainly(err, st.Message()))
}

// plainly is what an answer says, without what the transport wraps it in: how often it tried, and the codes of its own.
func plainly(err error, message string) string {
	var inner interface{ GRPCStatus() *status.Status }
	if errors.As(err, &inner) {
		message = inner.GRPCStatus().Message()
	}
	if _, dial, ok := strings.Cut(message, "transport: Error while dialing: "); ok {
		return "no connection: " + strings.TrimSuffix(dial, `"`)
	}
	return message
}
