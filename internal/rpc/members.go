package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

// MemberCases are the use cases of the people who work at a clinic.
type MemberCases interface {
	PutMember(context.Context, authn.Principal, record.Member, int) (record.Stored[record.Member], error)
	GetMember(context.Context, authn.Principal, string) (record.Stored[record.Member], error)
	ListMembers(context.Context, authn.Principal, record.Page) (record.List[record.Member], error)
}

type members struct {
	pb.UnimplementedMemberServiceServer
	cases MemberCases
}

func (s members) PutMember(ctx context.Context, req *pb.PutMemberRequest) (*pb.PutMemberResponse, error) {
	r, p := &reader{}, principalOf(ctx)
	v := r.member(req.GetMember(), "member")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	v.ClinicID = p.ClinicID
	stored, err := s.cases.PutMember(ctx, p, v, int(req.GetExpectedRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PutMemberResponse{Member: w.member(stored)})
}

func (s members) GetMember(ctx context.Context, req *pb.GetMemberRequest) (*pb.GetMemberResponse, error) {
	stored, err := s.cases.GetMember(ctx, principalOf(ctx), lower(req.GetId()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetMemberResponse{Member: w.member(stored)})
}

func (s members) ListMembers(ctx context.Context, req *pb.ListMembersRequest) (*pb.ListMembersResponse, error) {
	got, err := s.cases.ListMembers(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListMembersResponse{Members: list(w, got.Items, (*writer).member), NextCursor: got.Next})
}

func (r *reader) member(m *pb.Member, at string) record.Member {
	return record.Member{
		ID: r.id(m.GetId(), at+".id"), Name: r.line(m.GetName(), at+".name"), Credential: r.line(m.GetCredential(), at+".credential"),
		Roles: r.roles(m.GetRoles(), at+".roles"), Left: m.GetLeft(),
	}
}

func (r *reader) roles(rs []pb.Role, at string) []record.Role {
	var out []record.Role
	for i, v := range rs {
		out = append(out, pick(r, roles, v, index(at, i)))
	}
	return out
}

func (w *writer) member(s record.Stored[record.Member]) *pb.Member {
	v := s.Value
	return &pb.Member{
		Id: v.ID, Name: v.Name, Credential: v.Credential, Roles: w.roles(v.Roles), Left: v.Left, Revision: w.revision(s.Revision),
	}
}
