package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

// RetentionCases are the use cases of legal holds.
type RetentionCases interface {
	PutLegalHold(context.Context, authn.Principal, record.LegalHold, int) (record.Stored[record.LegalHold], error)
	ListLegalHolds(context.Context, authn.Principal, record.Page) (record.List[record.LegalHold], error)
}

type retention struct {
	pb.UnimplementedRetentionServiceServer
	cases RetentionCases
}

func (s retention) PutLegalHold(ctx context.Context, req *pb.PutLegalHoldRequest) (*pb.PutLegalHoldResponse, error) {
	r, p := &reader{}, principalOf(ctx)
	v := r.hold(req.GetLegalHold(), "legal_hold")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	v.ClinicID = p.ClinicID
	stored, err := s.cases.PutLegalHold(ctx, p, v, int(req.GetExpectedRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PutLegalHoldResponse{LegalHold: w.hold(stored)})
}

func (s retention) ListLegalHolds(ctx context.Context, req *pb.ListLegalHoldsRequest) (*pb.ListLegalHoldsResponse, error) {
	got, err := s.cases.ListLegalHolds(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListLegalHoldsResponse{LegalHolds: list(w, got.Items, (*writer).hold), NextCursor: got.Next})
}

func (r *reader) hold(m *pb.LegalHold, at string) record.LegalHold {
	return record.LegalHold{
		ID: r.id(m.GetId(), at+".id"), ClientID: r.id(m.GetClientId(), at+".client_id"), Reason: r.text(m.GetReason(), at+".reason"), Lifted: m.GetLifted(),
	}
}

func (w *writer) hold(s record.Stored[record.LegalHold]) *pb.LegalHold {
	v := s.Value
	return &pb.LegalHold{Id: v.ID, ClientId: v.ClientID, Reason: v.Reason, Lifted: v.Lifted, Revision: w.revision(s.Revision)}
}
