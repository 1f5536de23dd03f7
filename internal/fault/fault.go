// Package fault is the one vocabulary of errors: a kind that callers decide on, a reason code and public text that may leave the
// service, and a private cause that may not.
package fault

import (
	"errors"
	"fmt"
	"time"
)

// Kind says what sort of failure it is. rpc turns each kind into exactly one gRPC code.
type Kind uint8

// The kinds.
const (
	// Internal: a defect or an unknown failure; the public text is fixed.
	Internal Kind = iota
	// Invalid: the request breaks rules; Violations name each field and rule.
	Invalid
	// NotFound: there is no such record, or it is not the caller's to see.
	NotFound
	// Conflict: the record exists with other content or another revision; Violations name each field that differs.
	Conflict
	// Precondition: the state of the system does not allow it now.
	Precondition
	// Unauthenticated: no credential, or one that is not valid.
	Unauthenticated
	// Denied: the credential does not allow it.
	Denied
	// Unavailable: try again; the repetition is safe.
	Unavailable
	// Overloaded: too much at once; try again after RetryAfter.
	Overloaded
	// TooLarge: the request exceeds a size limit.
	TooLarge
	// Deadline: the time allowed ran out; a repetition is safe.
	Deadline
	// Canceled: the caller went away.
	Canceled
	// Unimplemented: no such method.
	Unimplemented
	kinds
)

// Kinds returns every kind, for tests that range over them.
func Kinds() []Kind {
	all := make([]Kind, 0, kinds)
	for k := Internal; k < kinds; k++ {
		all = append(all, k)
	}
	return all
}

// Violation is one broken rule.
type Violation struct {
	// Field is the path of the field in the request, for example `session.series[0].trials[2].load.value`.
	Field string
	// Rule is a stable code, for example `trial.order`.
	Rule string
	// Text says in plain words what the rule is.
	Text string
}

// Error is a failure with its public face.
type Error struct {
	Kind Kind
	// Reason is a stable upper-case code, for example `SESSION_CONFLICT`.
	Reason string
	// Text may be shown to the caller: it says what to do and holds no internals and no client's data.
	Text string
	// Violations name fields; public.
	Violations []Violation
	// RetryAfter is how long to wait before a repetition; zero when there is no advice.
	RetryAfter time.Duration
	// Cause is private: logged, never sent.
	Cause error
}

// Error gives the private view, for logs.
func (e *Error) Error() string {
	if e.Cause != nil {
		return fmt.Sprintf("%s: %s: %v", e.Reason, e.Text, e.Cause)
	}
	return fmt.Sprintf("%s: %s", e.Reason, e.Text)
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Cause }

// New makes an error with a public text.
func New(kind Kind, reason, text string) *Error {
	return &Error{Kind: kind, Reason: reason, Text: text}
}

// Newf is New with a formatted public text.
func Newf(kind Kind, reason, format string, args ...any) *Error {
	return New(kind, reason, fmt.Sprintf(format, args...))
}

// Wrap makes an error with a public text and a private cause.
func Wrap(kind Kind, reason, text string, cause error) *Error {
	return &Error{Kind: kind, Reason: reason, Text: text, Cause: cause}
}

// InvalidFields makes an Invalid error from violations; nil when there are none.
func InvalidFields(violations []Violation) error {
	if len(violations) == 0 {
		return nil
	}
	return &Error{Kind: Invalid, Reason: "INVALID_REQUEST", Text: "the request breaks the rules named in its details; nothing was stored", Violations: violations}
}

// KindOf returns the kind of err: that of the first *Error in its chain, else Internal.
func KindOf(err error) Kind {
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return Internal
}

// Is reports whether err is of that kind.
func Is(err error, kind Kind) bool {
	return err != nil && KindOf(err) == kind
}
