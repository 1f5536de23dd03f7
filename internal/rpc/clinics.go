package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

// ClinicCases are the use cases of the network's clinics and payers.
type ClinicCases interface {
	PutClinic(context.Context, authn.Principal, record.Clinic, int) (record.Stored[record.Clinic], error)
	GetClinic(context.Context, authn.Principal, string) (record.Stored[record.Clinic], error)
	ListClinics(context.Context, authn.Principal, record.Page) (record.List[record.Clinic], error)
	PutPayer(context.Context, authn.Principal, record.Payer, int) (record.Stored[record.Payer], error)
	ListPayers(context.Context, authn.Principal, record.Page) (record.List[record.Payer], error)
}

type clinics struct {
	pb.UnimplementedClinicServiceServer
	cases ClinicCases
}

func (s clinics) PutClinic(ctx context.Context, req *pb.PutClinicRequest) (*pb.PutClinicResponse, error) {
	r := &reader{}
	v := r.clinic(req.GetClinic(), "clinic")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	stored, err := s.cases.PutClinic(ctx, principalOf(ctx), v, int(req.GetExpectedRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PutClinicResponse{Clinic: w.clinic(stored)})
}

// GetClinic reads the clinic that the access link settled on, which is the one that the request names.
func (s clinics) GetClinic(ctx context.Context, _ *pb.GetClinicRequest) (*pb.GetClinicResponse, error) {
	p := principalOf(ctx)
	stored, err := s.cases.GetClinic(ctx, p, p.ClinicID)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetClinicResponse{Clinic: w.clinic(stored)})
}

func (s clinics) ListClinics(ctx context.Context, req *pb.ListClinicsRequest) (*pb.ListClinicsResponse, error) {
	got, err := s.cases.ListClinics(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListClinicsResponse{Clinics: list(w, got.Items, (*writer).clinic), NextCursor: got.Next})
}

func (s clinics) PutPayer(ctx context.Context, req *pb.PutPayerRequest) (*pb.PutPayerResponse, error) {
	r := &reader{}
	v := r.payer(req.GetPayer(), "payer")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	stored, err := s.cases.PutPayer(ctx, principalOf(ctx), v, int(req.GetExpectedRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PutPayerResponse{Payer: w.payer(stored)})
}

func (s clinics) ListPayers(ctx context.Context, req *pb.ListPayersRequest) (*pb.ListPayersResponse, error) {
	got, err := s.cases.ListPayers(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListPayersResponse{Payers: list(w, got.Items, (*writer).payer), NextCursor: got.Next})
}

func (r *reader) clinic(m *pb.Clinic, at string) record.Clinic {
	return record.Clinic{
		ID: r.id(m.GetId(), at+".id"), Name: r.line(m.GetName(), at+".name"), DisplayUnit: pick(r, units, m.GetDisplayUnit(), at+".display_unit"),
		RetentionDays: int(m.GetRetentionDays()), IndependentReview: m.GetIndependentReview(),
	}
}

func (w *writer) clinic(s record.Stored[record.Clinic]) *pb.Clinic {
	v := s.Value
	return &pb.Clinic{Id: v.ID, Name: v.Name, DisplayUnit: say(w, units, v.DisplayUnit), RetentionDays: w.number(v.RetentionDays),
		IndependentReview: v.IndependentReview, Revision: w.revision(s.Revision)}
}

func (r *reader) payer(m *pb.Payer, at string) record.Payer {
	return record.Payer{ID: r.id(m.GetId(), at+".id"), Name: r.line(m.GetName(), at+".name")}
}

func (w *writer) payer(s record.Stored[record.Payer]) *pb.Payer {
	return &pb.Payer{Id: s.Value.ID, Name: s.Value.Name, Revision: w.revision(s.Revision)}
}
