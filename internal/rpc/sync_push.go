package rpc

import (
	"context"
	"fmt"
	"math"

	"google.golang.org/grpc/codes"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// PushSessions judges each session by itself, by the rules that PushSession holds it to: what is wrong with one keeps no other from being stored.
func (s syncs) PushSessions(ctx context.Context, req *pb.PushSessionsRequest) (*pb.PushSessionsResponse, error) {
	p := principalOf(ctx)
	refused := make([]error, len(req.GetSessions()))
	var good []record.Session
	var places []int
	for i, m := range req.GetSessions() {
		v, err := readPushed(ctx, p, m)
		if err != nil {
			refused[i] = err
			continue
		}
		good, places = append(good, v), append(places, i)
	}
	answers, err := s.cases.PushSessions(ctx, p, good)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	out := &pb.PushSessionsResponse{Sessions: make([]*pb.PushedSession, len(refused))}
	for i, m := range req.GetSessions() {
		out.Sessions[i] = &pb.PushedSession{SessionId: lower(m.GetId())}
	}
	for i, a := range answers {
		item := out.Sessions[places[i]]
		if a.Err != nil {
			refused[places[i]] = a.Err
			item.ConflictId = a.ConflictID
			continue
		}
		item.Outcome = &pb.PushedSession_Stored{Stored: w.pushed(a.Pushed)}
	}
	for i, err := range refused {
		if err == nil {
			continue
		}
		f := faultOf(err)
		if f.Kind == fault.Internal {
			// The call fails as a whole, so that its cause is logged; what was stored is answered at the repetition.
			return nil, fmt.Errorf("push sessions[%d]: %w", i, err)
		}
		out.Sessions[i].Outcome = &pb.PushedSession_Refused{Refused: refusalOf(f)}
	}
	return answered(w, out)
}

// readPushed reads one session of a batch, by the rules of a push of its own.
func readPushed(ctx context.Context, p authn.Principal, m *pb.Session) (record.Session, error) {
	alone := &pb.PushSessionRequest{Session: m}
	if c, ok := ctx.Value(callKey{}).(*call); ok && c.validate != nil {
		if err := c.validate(c, alone); err != nil {
			return record.Session{}, err
		}
	}
	r := &reader{}
	v := r.session(m, "session")
	if err := r.refused(ctx, alone); err != nil {
		return record.Session{}, err
	}
	if v.ClinicID != "" && v.ClinicID != p.ClinicID {
		return record.Session{}, fault.New(fault.Denied, "OTHER_CLINIC", "the session names another clinic than the credential's")
	}
	v.ClinicID = p.ClinicID
	return v, nil
}

// pushed is the answer to a session that is stored.
func (w *writer) pushed(got casework.Pushed) *pb.PushSessionResponse {
	outcome := pb.PushSessionResponse_OUTCOME_STORED
	if got.Already {
		outcome = pb.PushSessionResponse_OUTCOME_ALREADY_STORED
	}
	return &pb.PushSessionResponse{Outcome: outcome, Revision: w.revision(got.Revision), Finding: w.finding(got.Finding)}
}

// codeNames are the names of gRPC codes as the protocol has them, for answers that hold a code in their body.
var codeNames = map[codes.Code]string{
	codes.InvalidArgument: "INVALID_ARGUMENT", codes.NotFound: "NOT_FOUND", codes.Aborted: "ABORTED", codes.FailedPrecondition: "FAILED_PRECONDITION",
	codes.Unauthenticated: "UNAUTHENTICATED", codes.PermissionDenied: "PERMISSION_DENIED", codes.Unavailable: "UNAVAILABLE",
	codes.ResourceExhausted: "RESOURCE_EXHAUSTED", codes.DeadlineExceeded: "DEADLINE_EXCEEDED", codes.Canceled: "CANCELLED",
	codes.Unimplemented: "UNIMPLEMENTED", codes.Internal: "INTERNAL",
}

// refusalOf is a failure as it stands in the answer of a batch.
func refusalOf(f *fault.Error) *pb.Refusal {
	m := &pb.Refusal{Code: codeNames[codeOf[f.Kind]], Reason: f.Reason, Message: f.Text}
	for _, v := range named(f.Violations) {
		m.Violations = append(m.Violations, &pb.FieldViolation{Field: v.Field, Rule: v.Rule, Description: v.Text})
	}
	if f.Kind == fault.Unavailable || f.Kind == fault.Overloaded || f.Kind == fault.Deadline {
		wait := max(f.RetryAfter, defaultRetry)
		m.RetryAfterSeconds = uint32(math.Ceil(wait.Seconds()))
	}
	return m
}
