package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"ponderal.example/internal/fault"
)

// errLost marks a connection that broke: whether its statements took effect is known from the place where it is met.
var errLost = errors.New("connection lost")

// errDone marks the use of a transaction after its end.
var errDone = errors.New("transaction used after its end")

// retryAdvice is what a caller is told to wait before a repetition.
const retryAdvice = time.Second

// face is the public side of an SQLSTATE.
type face struct {
	kind   fault.Kind
	reason string
	text   string
}

var (
	unavailable = face{fault.Unavailable, "STORE_UNAVAILABLE", "the store cannot answer now; try again, the repetition is safe"}
	busy        = face{fault.Unavailable, "STORE_BUSY", "others changed the same records at the same time; try again, the repetition is safe"}
	overloaded  = face{fault.Overloaded, "STORE_OVERLOADED", "too much at once; try again later"}
	deadline    = face{fault.Deadline, "STORE_DEADLINE", "the time allowed ran out; a repetition is safe"}
	canceled    = face{fault.Canceled, "CANCELED", "the call was canceled"}
	internal    = face{fault.Internal, "STORE_INTERNAL", "an internal error; nothing was stored"}
	conflict    = face{fault.Conflict, "STORE_CONFLICT", "another record already stands in that place; nothing was stored"}
	missingRef  = face{fault.Precondition, "REFERENCE_MISSING", "a record that this one refers to is not there; nothing was stored"}
	badText     = face{fault.Invalid, "TEXT_INVALID", "a text holds characters that cannot be stored; nothing was stored"}
	badValue    = face{fault.Invalid, "VALUE_OUT_OF_RANGE", "a value is outside what can be stored; nothing was stored"}
)

// faceOf is the only place where an SQLSTATE (PostgreSQL documentation, appendix A) gets a meaning. A code that does not stand here is looked
// up by its class, and is Internal when that does not stand there either.
var faceOf = map[string]face{
	"23505": conflict,   // unique_violation
	"23503": missingRef, // foreign_key_violation
	"23514": badValue,   // check_violation
	"22003": badValue,   // numeric_value_out_of_range
	"22021": badText,    // character_not_in_repertoire
	"22P05": badText,    // untranslatable_character
	"54000": badValue,   // program_limit_exceeded
	"40001": busy,       // serialization_failure
	"40P01": busy,       // deadlock_detected
	"55P03": busy,       // lock_not_available
	"57014": deadline,   // query_canceled: a statement's time ran out
	"25P03": deadline,   // idle_in_transaction_session_timeout
	"57P01": unavailable,
	"57P02": unavailable,
	"57P03": unavailable,
	"57P04": unavailable,
	"57P05": unavailable,
	"25006": unavailable, // read_only_sql_transaction: the server became a standby
}

// faceOfClass is faceOf for whole classes, the first two characters.
var faceOfClass = map[string]face{
	"08": unavailable, // connection exception
	"53": unavailable, // insufficient resources, too many connections
	"58": unavailable, // system error
}

// faceOfConstraint says more where a constraint says more than its SQLSTATE.
var faceOfConstraint = map[string]face{
	"result_first":                     {fault.Conflict, "RESULT_EXISTS", "the session has a signed result; supersede it instead"},
	"result_successor":                 {fault.Conflict, "RESULT_SUPERSEDED", "the result has been superseded already"},
	"result_clinic_id_supersedes_fkey": {fault.Precondition, "RESULT_MISSING", "the result to supersede is not there"},
	"feed_item_once":                   {fault.Conflict, "ALREADY_RELEASED", "the result stands in the payer's feed already"},
}

// logTables hold what the service itself says of a change. A rule broken there is no caller's value, whatever its SQLSTATE says elsewhere.
var logTables = map[string]bool{"audit_entry": true, "audit_head": true, "checkpoint": true}

// retried are the SQLSTATEs after which a whole transaction is run again.
var retried = map[string]bool{"40001": true, "40P01": true}

// cause is the private side of an SQLSTATE: what happened where, without the server's message, which may repeat values.
type cause struct {
	op string
	pg *pgconn.PgError
}

func (c *cause) Error() string {
	s := c.op + ": SQLSTATE " + c.pg.Code
	if c.pg.TableName != "" {
		s += ", table " + c.pg.TableName
	}
	if c.pg.ConstraintName != "" {
		s += ", constraint " + c.pg.ConstraintName
	}
	return s
}

// Unwrap lets the retry loop see the SQLSTATE.
func (c *cause) Unwrap() error { return c.pg }

// translate makes a *fault.Error of what the driver returned. One that is already a fault stays as it is.
func translate(op string, err error) error {
	var already *fault.Error
	var pg *pgconn.PgError
	var connect *pgconn.ConnectError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &already):
		return err
	case errors.As(err, &pg):
		return faceFor(pg).wrap(&cause{op: op, pg: pg})
	case errors.Is(err, context.Canceled):
		return canceled.wrap(fmt.Errorf("%s: %w", op, err))
	case errors.Is(err, context.DeadlineExceeded), pgconn.Timeout(err):
		return deadline.wrap(fmt.Errorf("%s: %w", op, err))
	case errors.Is(err, errLost), errors.As(err, &connect), pgconn.SafeToRetry(err):
		return unavailable.wrap(fmt.Errorf("%s: %w", op, err))
	case errors.Is(err, pgx.ErrNoRows):
		return fault.Wrap(fault.NotFound, "NOT_FOUND", "there is no such record", fmt.Errorf("%s: %w", op, err))
	}
	return internal.wrap(fmt.Errorf("%s: %w", op, err))
}

func faceFor(pg *pgconn.PgError) face {
	if f, ok := faceOfConstraint[pg.ConstraintName]; ok {
		return f
	}
	if pg.Code == "23514" && logTables[pg.TableName] {
		return internal
	}
	if f, ok := faceOf[pg.Code]; ok {
		return f
	}
	if len(pg.Code) == 5 {
		if f, ok := faceOfClass[pg.Code[:2]]; ok {
			return f
		}
	}
	return internal
}

func (f face) wrap(cause error) error {
	e := fault.Wrap(f.kind, f.reason, f.text, cause)
	if f.kind == fault.Unavailable || f.kind == fault.Overloaded {
		e.RetryAfter = retryAdvice
	}
	return e
}

// mayRetry reports whether the transaction that failed so certainly had no effect and may succeed when run again.
func mayRetry(err error) bool {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return retried[pg.Code]
	}
	return pgconn.SafeToRetry(err)
}
