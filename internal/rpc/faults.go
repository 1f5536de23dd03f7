package rpc

import (
	"context"
	"errors"
	"strconv"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"ponderal.example/internal/fault"
)

// Domain is the domain of every google.rpc.ErrorInfo that the service sends.
const Domain = "ponderal"

// codeOf is the only place where a kind becomes a gRPC code. The gateway makes the HTTP status from the code by the usual table.
var codeOf = map[fault.Kind]codes.Code{
	fault.Internal:        codes.Internal,
	fault.Invalid:         codes.InvalidArgument,
	fault.NotFound:        codes.NotFound,
	fault.Conflict:        codes.Aborted,
	fault.Precondition:    codes.FailedPrecondition,
	fault.Unauthenticated: codes.Unauthenticated,
	fault.Denied:          codes.PermissionDenied,
	fault.Unavailable:     codes.Unavailable,
	fault.Overloaded:      codes.ResourceExhausted,
	fault.TooLarge:        codes.ResourceExhausted,
	fault.Deadline:        codes.DeadlineExceeded,
	fault.Canceled:        codes.Canceled,
	fault.Unimplemented:   codes.Unimplemented,
}

// moreFields is the member of ErrorInfo's metadata that says how many further fields there was no room to name.
const moreFields = "more_fields"

// defaultRetry is the advice where a failure that may be retried names none.
const defaultRetry = time.Second

// internalText is all that a caller is told of a failure inside the service; the request id leads to the cause in the log.
const internalText = "something went wrong inside the service; nothing was stored by this request; name the request id to the operator"

// faultOf brings any error into the vocabulary: a failure in its chain as it is, an ended context as its kind, anything else as
// Internal with the error as its private cause.
func faultOf(err error) *fault.Error {
	var f *fault.Error
	if errors.As(err, &f) {
		return f
	}
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return fault.Wrap(fault.Deadline, "DEADLINE", "the time allowed ran out; the same request may be repeated", err)
	case errors.Is(err, context.Canceled):
		return fault.Wrap(fault.Canceled, "CANCELED", "the caller went away", err)
	}
	return fault.Wrap(fault.Internal, "INTERNAL", internalText, err)
}

// statusOf is a failure as it leaves the service: code, public text and details, never the cause.
func statusOf(f *fault.Error, requestID string) *status.Status {
	code, ok := codeOf[f.Kind]
	if !ok {
		code = codes.Internal
	}
	reason, text := f.Reason, f.Text
	if code == codes.Internal {
		reason, text = "INTERNAL", internalText
	} else if more := len(f.Violations) - len(named(f.Violations)); more > 0 {
		text += "; " + strconv.Itoa(more) + " further fields are not named"
	}
	st := status.New(code, text)
	detailed, err := st.WithDetails(detailsOf(f, code, reason, requestID)...)
	if err != nil {
		return st
	}
	return detailed
}

// maxNamed is how many bytes the fields named in one answer may have together. Over gRPC the details travel in a header, and common clients
// take no more than 8 KiB of headers.
const maxNamed = 5000

// named are the violations that an answer has room for, at least one where there are any.
func named(all []fault.Violation) []fault.Violation {
	room := maxNamed
	for i, v := range all {
		// Beside the texts there are tags and lengths.
		room -= len(v.Field) + len(v.Rule) + len(v.Text) + 10
		if room < 0 && i > 0 {
			return all[:i]
		}
	}
	return all
}

func detailsOf(f *fault.Error, code codes.Code, reason, requestID string) []protoadapt.MessageV1 {
	info := &errdetails.ErrorInfo{Reason: reason, Domain: Domain, Metadata: map[string]string{}}
	if requestID != "" {
		info.Metadata["request_id"] = requestID
	}
	details := []protoadapt.MessageV1{info}
	if len(f.Violations) > 0 && code != codes.Internal {
		bad := &errdetails.BadRequest{}
		shown := named(f.Violations)
		if more := len(f.Violations) - len(shown); more > 0 {
			info.Metadata[moreFields] = strconv.Itoa(more)
		}
		for _, v := range shown {
			bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{
				Field: v.Field, Description: v.Text, Reason: v.Rule,
			})
		}
		details = append(details, bad)
	}
	if f.Kind == fault.Unavailable || f.Kind == fault.Overloaded {
		wait := f.RetryAfter
		if wait <= 0 {
			wait = defaultRetry
		}
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(wait)})
	}
	return details
}

// Refusal is f as the gateway hands it out where no method was reached, in the same form as every other failure.
func Refusal(f *fault.Error, requestID string) *spb.Status { return statusOf(f, requestID).Proto() }

// Answer is an error of a gRPC client as a status with its code. A status without an ErrorInfo did not come from a handler but
// from the transport: it gets one, so that every answer has the same form.
func Answer(err error, requestID string) (*spb.Status, codes.Code) {
	st := status.Convert(err)
	for _, d := range st.Details() {
		if _, ok := d.(*errdetails.ErrorInfo); ok {
			return st.Proto(), st.Code()
		}
	}
	f := transportFault(st)
	return statusOf(f, requestID).Proto(), codeOf[f.Kind]
}

// StreamErrors is a handler of the gateway's for calls that stream their answer: keep gets the error, and its context.
func StreamErrors(keep func(context.Context, error)) func(context.Context, error) *status.Status {
	return func(ctx context.Context, err error) *status.Status {
		keep(ctx, err)
		return status.Convert(err)
	}
}

// transportFault is the failure behind a status that gRPC itself or the gateway's generated code made.
func transportFault(st *status.Status) *fault.Error {
	switch st.Code() {
	case codes.InvalidArgument:
		return fault.New(fault.Invalid, "INVALID_REQUEST", st.Message())
	case codes.ResourceExhausted:
		return fault.Wrap(fault.TooLarge, "TOO_LARGE", "the message is larger than the service takes; send less at once", st.Err())
	case codes.Unavailable:
		return fault.Wrap(fault.Unavailable, "UNAVAILABLE", "the service is not reachable now; the same request may be repeated", st.Err())
	case codes.DeadlineExceeded:
		return faultOf(context.DeadlineExceeded)
	case codes.Canceled:
		return faultOf(context.Canceled)
	case codes.Unimplemented:
		return fault.New(fault.Unimplemented, "NO_SUCH_METHOD", "there is no such method")
	}
	return fault.Wrap(fault.Internal, "INTERNAL", internalText, st.Err())
}
