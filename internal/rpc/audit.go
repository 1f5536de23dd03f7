package rpc

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"math"
	"strings"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// AuditCases are the use cases of a clinic's audit log.
type AuditCases interface {
	ListEntries(context.Context, authn.Principal, casework.EntryFilter, record.Page) (casework.EntryList, error)
	GetEntry(context.Context, authn.Principal, int64) (casework.EntryView, casework.Proof, error)
	GetCheckpoint(context.Context, authn.Principal) (casework.Checkpoint, error)
	GetScoreHistory(ctx context.Context, p authn.Principal, sessionID string) ([]casework.ScoreChange, error)
	AuditQuestionCases
	DisclosureCases
}

type audit struct {
	pb.UnimplementedAuditServiceServer
	cases AuditCases
}

func (s audit) ListEntries(ctx context.Context, req *pb.ListEntriesRequest) (*pb.ListEntriesResponse, error) {
	r := &reader{}
	filter := r.filter(req.GetFilter(), "filter")
	filter.Also, filter.Subject = r.line(req.GetAction(), "action"), r.line(req.GetSubject(), "subject")
	if strings.HasSuffix(filter.Also, ".") {
		r.bad("action", "action.whole", "this field takes a whole action; filter.action takes the beginning of one")
	}
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := s.cases.ListEntries(ctx, principalOf(ctx), filter, readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	m := &pb.ListEntriesResponse{NextCursor: got.Next}
	for _, e := range got.Items {
		m.Entries = append(m.Entries, w.entry(e))
	}
	return answered(w, m)
}

func (s audit) GetEntry(ctx context.Context, req *pb.GetEntryRequest) (*pb.GetEntryResponse, error) {
	if req.GetNumber() > math.MaxInt64 {
		return nil, fault.New(fault.NotFound, "NO_SUCH_ENTRY", "the log has no entry of that number")
	}
	e, proof, err := s.cases.GetEntry(ctx, principalOf(ctx), int64(req.GetNumber()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetEntryResponse{Entry: w.entry(e), Proof: w.proof(proof)})
}

func (s audit) GetCheckpoint(ctx context.Context, _ *pb.GetCheckpointRequest) (*pb.GetCheckpointResponse, error) {
	c, err := s.cases.GetCheckpoint(ctx, principalOf(ctx))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetCheckpointResponse{
		Checkpoint: c.Note, Size: w.long(c.Size), Root: base64.StdEncoding.EncodeToString(c.Root[:]),
	})
}

func (s audit) GetScoreHistory(ctx context.Context, req *pb.GetScoreHistoryRequest) (*pb.GetScoreHistoryResponse, error) {
	changes, err := s.cases.GetScoreHistory(ctx, principalOf(ctx), lower(req.GetSessionId()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetScoreHistoryResponse{Changes: w.changes(changes)})
}

func (w *writer) entry(v casework.EntryView) *pb.AuditEntry {
	e := v.Entry
	m := &pb.AuditEntry{
		ClinicId: e.ClinicID, Number: w.long(e.Number), At: w.time(e.At), Action: e.Action, Reason: e.Reason, Subjects: e.Subjects,
		Actor: &pb.Actor{
			TokenId: e.Actor.TokenID, MemberId: e.Actor.MemberID, Name: v.ActorName, Role: sayOrNone(w, roles, e.Actor.Role),
			App: e.Actor.App, RequestId: e.Actor.RequestID,
		},
	}
	m.ErasedBy, m.Disclosed = w.long(v.ErasedBy), w.disclosed(e.Disclosed)
	for _, n := range e.Erased {
		m.Erased = append(m.Erased, w.long(n))
	}
	for _, r := range e.Records {
		m.Records = append(m.Records, &pb.WrittenRecord{Kind: r.Kind, Id: r.ID, Revision: w.number(r.Revision), Digest: r.Digest})
		for _, t := range r.Trials {
			m.Records = append(m.Records, w.trials(r, t)...)
		}
	}
	return m
}

// trials takes the joined digests of consecutive trials apart: one written record a trial.
func (w *writer) trials(r record.Written, t record.WrittenTrials) []*pb.WrittenRecord {
	joined, err := base64.RawURLEncoding.DecodeString(t.Digests)
	if err != nil || len(joined)%sha256.Size != 0 {
		w.fail("the digests of the trials of series %d in record %s cannot be read", t.Series, r.ID)
		return nil
	}
	var out []*pb.WrittenRecord
	for i := 0; i < len(joined); i += sha256.Size {
		out = append(out, &pb.WrittenRecord{
			Kind: record.KindTrial, Id: fmt.Sprintf("%s/%d/%d", r.ID, t.Series, t.First+i/sha256.Size),
			Revision: w.number(r.Revision), Digest: base64url(joined[i : i+sha256.Size]),
		})
	}
	return out
}

func (w *writer) proof(p casework.Proof) *pb.EntryProof {
	m := &pb.EntryProof{Entry: p.Entry, Salt: base64url(p.Salt), Checkpoint: p.Checkpoint}
	for _, h := range p.Path {
		m.Path = append(m.Path, base64url(h[:]))
	}
	return m
}
