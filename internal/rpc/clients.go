package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

// ClientCases are the use cases of the people evaluated.
type ClientCases interface {
	PutClient(context.Context, authn.Principal, record.Client, int) (record.Stored[record.Client], error)
	GetClient(context.Context, authn.Principal, string) (record.Stored[record.Client], error)
	ListClients(context.Context, authn.Principal, record.Page) (record.List[record.Client], error)
}

type clients struct {
	pb.UnimplementedClientServiceServer
	cases ClientCases
}

func (s clients) PutClient(ctx context.Context, req *pb.PutClientRequest) (*pb.PutClientResponse, error) {
	r, p := &reader{}, principalOf(ctx)
	v := r.client(req.GetClient(), "client")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	v.ClinicID = p.ClinicID
	stored, err := s.cases.PutClient(ctx, p, v, int(req.GetExpectedRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PutClientResponse{Client: w.client(stored)})
}

func (s clients) GetClient(ctx context.Context, req *pb.GetClientRequest) (*pb.GetClientResponse, error) {
	stored, err := s.cases.GetClient(ctx, principalOf(ctx), lower(req.GetId()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetClientResponse{Client: w.client(stored)})
}

func (s clients) ListClients(ctx context.Context, req *pb.ListClientsRequest) (*pb.ListClientsResponse, error) {
	got, err := s.cases.ListClients(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListClientsResponse{Clients: list(w, got.Items, (*writer).client), NextCursor: got.Next})
}

func (r *reader) client(m *pb.Client, at string) record.Client {
	return record.Client{
		ID: r.id(m.GetId(), at+".id"), GivenName: r.line(m.GetGivenName(), at+".given_name"),
		FamilyName: r.line(m.GetFamilyName(), at+".family_name"), BirthDate: m.GetBirthDate(),
		Sex: pickOrNone(r, sexes, m.GetSex(), at+".sex"),
	}
}

func (w *writer) client(s record.Stored[record.Client]) *pb.Client {
	v := s.Value
	return &pb.Client{
		Id: v.ID, GivenName: v.GivenName, FamilyName: v.FamilyName, BirthDate: v.BirthDate,
		Sex: sayOrNone(w, sexes, v.Sex), Revision: w.revision(s.Revision),
	}
}
