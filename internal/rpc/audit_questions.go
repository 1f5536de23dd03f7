package rpc

import (
	"context"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

// AuditQuestionCases are the use cases that answer one question of an auditor each.
type AuditQuestionCases interface {
	// ExportEntries calls send from the caller's goroutine, and ends with its error.
	ExportEntries(ctx context.Context, p authn.Principal, x casework.Export, send func([]byte) error) error
	CompareFindings(ctx context.Context, p authn.Principal, sessionID string, from, to int) (casework.Comparison, error)
	ListLateCorrections(ctx context.Context, p authn.Principal, since, until record.Time, page record.Page) (casework.LateList, error)
}

func (s audit) CompareFindings(ctx context.Context, req *pb.CompareFindingsRequest) (*pb.CompareFindingsResponse, error) {
	got, err := s.cases.CompareFindings(ctx, principalOf(ctx), lower(req.GetSessionId()), int(req.GetFromRevision()), int(req.GetToRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.CompareFindingsResponse{
		Measured: w.differences(got.Measured), Computed: w.differences(got.Computed), Causes: w.changes(got.Causes),
	})
}

func (s audit) ListLateCorrections(ctx context.Context, req *pb.ListLateCorrectionsRequest) (*pb.ListLateCorrectionsResponse, error) {
	r := &reader{}
	since, until := r.bound(req.GetSince(), "since"), r.bound(req.GetUntil(), "until")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := s.cases.ListLateCorrections(ctx, principalOf(ctx), since, until, readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	m := &pb.ListLateCorrectionsResponse{NextCursor: got.Next}
	for _, x := range got.Items {
		m.Corrections = append(m.Corrections, &pb.LateCorrection{
			ClinicId: x.ClinicID, SessionId: x.SessionID, ResultId: x.ResultID, SignedAt: w.time(x.SignedAt), EvaluatorId: x.EvaluatorID,
			Entry: w.entry(x.Entry), Measured: w.differences(x.Measured), SupersededBy: x.SupersededBy,
		})
	}
	for _, x := range got.Rates {
		m.Rates = append(m.Rates, &pb.CorrectionRate{
			ClinicId: x.ClinicID, EvaluatorId: x.EvaluatorID, EvaluatorName: x.EvaluatorName, SignedSessions: w.number(x.Signed),
			CorrectedSessions: w.number(x.Corrected), Corrections: w.number(x.Corrections), Percent: x.Percent,
		})
	}
	return answered(w, m)
}

// changes writes the steps in the life of a score.
func (w *writer) changes(all []casework.ScoreChange) []*pb.ScoreChange {
	var out []*pb.ScoreChange
	for _, c := range all {
		out = append(out, &pb.ScoreChange{
			Entry: w.entry(c.Entry), SessionRevision: w.number(c.SessionRevision), Measured: w.differences(c.Measured),
			Computed: w.differences(c.Computed), ResultId: c.ResultID, Proof: w.proof(c.Proof), Line: c.Line,
		})
	}
	return out
}

// filter reads what narrows a list of entries.
func (r *reader) filter(m *pb.EntryFilter, at string) casework.EntryFilter {
	return casework.EntryFilter{
		MemberID: r.id(m.GetMemberId(), at+".member_id"), TokenID: r.id(m.GetTokenId(), at+".token_id"), App: r.line(m.GetApp(), at+".app"),
		Kind: r.line(m.GetKind(), at+".kind"), RecordID: strings.ToLower(r.line(m.GetRecordId(), at+".record_id")),
		Since: r.bound(m.GetSince(), at+".since"), Until: r.bound(m.GetUntil(), at+".until"), Action: r.line(m.GetAction(), at+".action"),
	}
}

// bound reads the bound of a period, which may be absent. What is kept has microseconds: at or after a moment between two of them is at or after the later,
// and before it is before the later, too.
func (r *reader) bound(t *timestamppb.Timestamp, at string) record.Time {
	if t == nil {
		return record.Time{}
	}
	given := r.time(t, at)
	if given.IsZero() || t.CheckValid() != nil {
		return record.Time{}
	}
	if t.AsTime().After(given.Std()) {
		return record.TimeOf(given.Std().Add(time.Microsecond))
	}
	return given
}
