package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

// KitCases are the use cases of kits.
type KitCases interface {
	PutKit(context.Context, authn.Principal, record.Kit, int) (record.Stored[record.Kit], error)
	GetKit(context.Context, authn.Principal, string) (record.Stored[record.Kit], error)
	ListKits(context.Context, authn.Principal, record.Page) (record.List[record.Kit], error)
}

type kits struct {
	pb.UnimplementedKitServiceServer
	cases KitCases
}

func (s kits) PutKit(ctx context.Context, req *pb.PutKitRequest) (*pb.PutKitResponse, error) {
	r, p := &reader{}, principalOf(ctx)
	v := r.kit(req.GetKit(), "kit")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	v.ClinicID = p.ClinicID
	stored, err := s.cases.PutKit(ctx, p, v, int(req.GetExpectedRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PutKitResponse{Kit: w.kit(stored)})
}

func (s kits) GetKit(ctx context.Context, req *pb.GetKitRequest) (*pb.GetKitResponse, error) {
	stored, err := s.cases.GetKit(ctx, principalOf(ctx), lower(req.GetId()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetKitResponse{Kit: w.kit(stored)})
}

func (s kits) ListKits(ctx context.Context, req *pb.ListKitsRequest) (*pb.ListKitsResponse, error) {
	got, err := s.cases.ListKits(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListKitsResponse{Kits: list(w, got.Items, (*writer).kit), NextCursor: got.Next})
}

func (r *reader) kit(m *pb.Kit, at string) record.Kit {
	v := record.Kit{ID: r.id(m.GetId(), at+".id"), Name: r.line(m.GetName(), at+".name"), Tote: r.piece(m.GetTote(), at+".tote")}
	for i, p := range m.GetInserts() {
		v.Inserts = append(v.Inserts, r.piece(p, index(at+".inserts", i)))
	}
	return v
}

func (r *reader) piece(m *pb.Piece, at string) record.Piece {
	return record.Piece{Code: m.GetCode(), Mass: r.mass(m.GetMass(), at+".mass"), VerifiedOn: m.GetVerifiedOn()}
}

func (w *writer) kit(s record.Stored[record.Kit]) *pb.Kit {
	m := &pb.Kit{Id: s.Value.ID, Name: s.Value.Name, Tote: w.piece(s.Value.Tote), Revision: w.revision(s.Revision)}
	for _, p := range s.Value.Inserts {
		m.Inserts = append(m.Inserts, w.piece(p))
	}
	return m
}

func (w *writer) piece(p record.Piece) *pb.Piece {
	return &pb.Piece{Code: p.Code, Mass: w.mass(p.Mass), VerifiedOn: p.VerifiedOn}
}
