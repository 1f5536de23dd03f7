package rpc

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"google.golang.org/protobuf/proto"

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

// TestManyViolationsFitAHeader: an answer names as many fields as a header of 8 KiB, the usual limit of gRPC clients, has room for, and says how many
// more there are.
func TestManyViolationsFitAHeader(t *testing.T) {
	for _, n := range []int{1, 40, 41, 4000} {
		f := &fault.Error{Kind: fault.Invalid, Reason: "INVALID_REQUEST", Text: "rules are broken"}
		for range n {
			f.Violations = append(f.Violations, fault.Violation{Field: strings.Repeat("f", 50), Rule: strings.Repeat("r", 15), Text: strings.Repeat("t", 50)})
		}
		st := statusOf(f, "req-1")
		info, bad, _ := details(t, st)
		named := len(bad.GetFieldViolations())
		if named != min(n, 40) {
			t.Errorf("%d violations: %d named, want %d", n, named, min(n, 40))
		}
		more, said := info.GetMetadata()["more_fields"]
		if said != (n > 40) || said && (more != strconv.Itoa(n-40) || !strings.Contains(st.Message(), more+" further fields")) {
			t.Errorf("%d violations: more_fields %q, text %q", n, more, st.Message())
		}
		if size := proto.Size(st.Proto()); size > 6<<10 {
			t.Errorf("%d violations: the status has %d bytes", n, size)
		}
	}
	long := []fault.Violation{{Text: strings.Repeat("t", 6000)}, {Text: "t"}}
	if got := named(long); len(got) != 1 {
		t.Errorf("%d named of two of which the first fills the room, want 1", len(got))
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
