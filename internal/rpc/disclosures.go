package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

// DisclosureCases account for what was shown of a client to payers.
type DisclosureCases interface {
	ListDisclosures(ctx context.Context, p authn.Principal, clientID string, since record.Time, page record.Page) (casework.DisclosureList, error)
}

func (s audit) ListDisclosures(ctx context.Context, req *pb.ListDisclosuresRequest) (*pb.ListDisclosuresResponse, error) {
	r := &reader{}
	client, since := r.id(req.GetClientId(), "client_id"), r.bound(req.GetSince(), "since")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := s.cases.ListDisclosures(ctx, principalOf(ctx), client, since, readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	m := &pb.ListDisclosuresResponse{NextCursor: got.Next}
	for _, d := range got.Items {
		m.Disclosures = append(m.Disclosures, w.disclosure(d))
	}
	return answered(w, m)
}

func (w *writer) disclosure(d casework.Disclosure) *pb.Disclosure {
	return &pb.Disclosure{
		At: w.time(d.At), PayerId: d.PayerID, PayerName: d.PayerName, ResultId: d.ResultID, SessionId: d.SessionID, ReleaseId: d.ReleaseID,
		Purpose: d.Purpose, WithRawTrials: d.RawTrials, TokenId: d.TokenID, Label: d.Label, EntryNumber: w.long(d.Entry), RequestId: d.RequestID,
	}
}

// disclosed writes what an entry says that it showed to a payer.
func (w *writer) disclosed(all []record.Disclosed) []*pb.DisclosedResult {
	var out []*pb.DisclosedResult
	for _, d := range all {
		out = append(out, &pb.DisclosedResult{ResultId: d.ResultID, ReleaseId: d.ReleaseID, WithRawTrials: d.RawTrials})
	}
	return out
}
