package rpc

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"ponderal.example/internal/fault"
)

func TestEveryKindHasOneCode(t *testing.T) {
	for _, k := range fault.Kinds() {
		code, ok := codeOf[k]
		if !ok || code == codes.OK || code == codes.Unknown {
			t.Errorf("kind %d has code %v, want one that says something", k, code)
		}
	}
	if len(codeOf) != len(fault.Kinds()) {
		t.Errorf("the table has %d lines for %d kinds", len(codeOf), len(fault.Kinds()))
	}
}

// details sorts the details of a status by type.
func details(t *testing.T, st *status.Status) (info *errdetails.ErrorInfo, bad *errdetails.BadRequest, retry *errdetails.RetryInfo) {
	t.Helper()
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			info = d
		case *errdetails.BadRequest:
			bad = d
		case *errdetails.RetryInfo:
			retry = d
		default:
			t.Fatalf("detail of type %T", d)
		}
	}
	return info, bad, retry
}

func TestStatusCarriesDetails(t *testing.T) {
	for _, k := range fault.Kinds() {
		f := &fault.Error{Kind: k, Reason: "SOME_REASON", Text: "some text", Cause: errors.New("secret cause"),
			Violations: []fault.Violation{{Field: "a.b[0]", Rule: "some.rule", Text: "what the rule is"}}}
		st := statusOf(f, "req-1")
		info, bad, retry := details(t, st)
		if info.GetDomain() != Domain || info.GetMetadata()["request_id"] != "req-1" {
			t.Errorf("kind %d: error info %v", k, info)
		}
		if strings.Contains(st.Proto().String(), "secret") {
			t.Errorf("kind %d: the cause leaves the service: %v", k, st)
		}
		if k == fault.Internal {
			if info.GetReason() != "INTERNAL" || st.Message() != internalText || bad != nil {
				t.Errorf("an internal failure says more than it may: %v", st)
			}
			continue
		}
		if info.GetReason() != "SOME_REASON" || st.Message() != "some text" {
			t.Errorf("kind %d: got %v", k, st)
		}
		v := bad.GetFieldViolations()
		if len(v) != 1 || v[0].GetField() != "a.b[0]" || v[0].GetReason() != "some.rule" || v[0].GetDescription() != "what the rule is" {
			t.Errorf("kind %d: violations %v", k, v)
		}
		if wants := k == fault.Unavailable || k == fault.Overloaded; wants != (retry != nil) {
			t.Errorf("kind %d: retry info %v", k, retry)
		}
	}
}

func TestRetryAdvice(t *testing.T) {
	_, _, retry := details(t, statusOf(&fault.Error{Kind: fault.Overloaded, RetryAfter: 7 * time.Second}, ""))
	if got := retry.GetRetryDelay().AsDuration(); got != 7*time.Second {
		t.Errorf("retry after %v, want 7s", got)
	}
	_, _, retry = details(t, statusOf(&fault.Error{Kind: fault.Unavailable}, ""))
	if got := retry.GetRetryDelay().AsDuration(); got != defaultRetry {
		t.Errorf("retry after %v, want %v", got, defaultRetry)
	}
}

func TestAnyErrorHasAKind(t *testing.T) {
	for _, tt := range []struct {
		err  error
		want fault.Kind
	}{
		{errors.New("who knows"), fault.Internal},
		{fmt.Errorf("push: %w", fault.New(fault.Conflict, "X", "x")), fault.Conflict},
		{fmt.Errorf("query: %w", context.DeadlineExceeded), fault.Deadline},
		{fmt.Errorf("query: %w", context.Canceled), fault.Canceled},
	} {
		if got := faultOf(tt.err); got.Kind != tt.want {
			t.Errorf("%v: kind %d, want %d", tt.err, got.Kind, tt.want)
		}
	}
}

func TestAnswerGivesTransportErrorsTheSameForm(t *testing.T) {
	for code, want := range map[codes.Code]codes.Code{
		codes.InvalidArgument: codes.InvalidArgument, codes.ResourceExhausted: codes.ResourceExhausted,
		codes.Unavailable: codes.Unavailable, codes.DeadlineExceeded: codes.DeadlineExceeded, codes.Canceled: codes.Canceled,
		codes.Unimplemented: codes.Unimplemented, codes.Unknown: codes.Internal, codes.DataLoss: codes.Internal,
	} {
		st, got := Answer(status.Error(code, "from the transport"), "req-2")
		info, _, _ := details(t, status.FromProto(st))
		if got != want || codes.Code(st.GetCode()) != want || info.GetReason() == "" || info.GetMetadata()["request_id"] != "req-2" {
			t.Errorf("%v: code %v, status %v", code, got, st)
		}
	}
	ours := statusOf(fault.New(fault.NotFound, "NO_SUCH_CLIENT", "there is none"), "req-3")
	st, code := Answer(ours.Err(), "other")
	if code != codes.NotFound || st.String() != ours.Proto().String() {
		t.Errorf("a handler's status is changed: %v", st)
	}
}
