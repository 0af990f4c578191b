package postgres

import (
	"errors"
	"io"
	"net"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"
)

// SQLSTATE codes (PostgreSQL documentation, appendix A).
const (
	codeForeignKey       = "23503"
	codeUnique           = "23505"
	codeCheck            = "23514"
	codeSerialization    = "40001"
	codeDeadlock         = "40P01"
	codeNoPrivilege      = "42501"
	codeConcurrent       = "XX000" // "tuple concurrently updated", of a catalogue row
	codeDuplicateObject  = "42710"
	codeDuplicateDB      = "42P04"
	codeDiskFull         = "53100"
	codeLockNotAvailable = "55P03"
	codeQueryCanceled    = "57014"

	classConnection  = "08"
	classResources   = "53"
	classSystem      = "58" // the disk under the server failed it; it restarts, or its supervisor has to
	codeAdminStop    = "57P01"
	codeCrashStop    = "57P02"
	codeCannotYet    = "57P03"
	codeIdleInTxStop = "25P03"
)

// Code is the SQLSTATE of err, "" if the server did not say one.
func Code(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return pg.Code
	}
	return ""
}

// Constraint is the name of the constraint that err says was broken, "" if none.
func Constraint(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return pg.ConstraintName
	}
	return ""
}

// IsUniqueViolation tells whether err is a second row under a unique constraint or index of that name; "" stands for any.
func IsUniqueViolation(err error, constraint string) bool {
	return broke(err, codeUnique, constraint)
}

// IsCheckViolation tells whether err is a row refused by the check constraint of that name; "" stands for any.
func IsCheckViolation(err error, constraint string) bool {
	return broke(err, codeCheck, constraint)
}

// IsForeignKeyViolation tells whether err is a reference to a missing row, or the removal of a referenced one, under the constraint of that name; "" stands for any.
func IsForeignKeyViolation(err error, constraint string) bool {
	return broke(err, codeForeignKey, constraint)
}

// IsForbidden tells whether the role lacks the right: to update an insert-only table, for one.
func IsForbidden(err error) bool { return Code(err) == codeNoPrivilege }

func broke(err error, code, constraint string) bool {
	return Code(err) == code && (constraint == "" || Constraint(err) == constraint)
}

// mayPass tells whether err is a state of the server or of the line to it that ends by itself: starting, stopping, full, failed by its disk, out of connections, lock waits, a cut line.
func mayPass(err error) bool {
	code := Code(err)
	switch {
	case code == "":
		var dial *net.OpError
		return errors.As(err, &dial) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, net.ErrClosed) || pgconn.SafeToRetry(err)
	case strings.HasPrefix(code, classConnection), strings.HasPrefix(code, classResources), strings.HasPrefix(code, classSystem):
		return true
	}
	switch code {
	case codeAdminStop, codeCrashStop, codeCannotYet, codeLockNotAvailable, codeIdleInTxStop:
		return true
	}
	return false
}
