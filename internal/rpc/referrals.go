package rpc

import (
	"context"
	"fmt"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

// ReferralCases are the use cases of referrals, job profiles and releases.
type ReferralCases interface {
	PutReferral(context.Context, authn.Principal, record.Referral, int) (record.Stored[record.Referral], error)
	GetReferral(context.Context, authn.Principal, string) (record.Stored[record.Referral], error)
	ListReferrals(context.Context, authn.Principal, record.Page) (record.List[record.Referral], error)
	PutJobProfile(context.Context, authn.Principal, record.JobProfile, int) (record.Stored[record.JobProfile], error)
	GetJobProfile(context.Context, authn.Principal, string) (record.Stored[record.JobProfile], error)
	ListJobProfiles(context.Context, authn.Principal, record.Page) (record.List[record.JobProfile], error)
	PutRelease(context.Context, authn.Principal, record.Release, int) (record.Stored[record.Release], error)
	ListReleases(context.Context, authn.Principal, record.Page) (record.List[record.Release], error)
}

type referrals struct {
	pb.UnimplementedReferralServiceServer
	cases ReferralCases
}

func (s referrals) PutReferral(ctx context.Context, req *pb.PutReferralRequest) (*pb.PutReferralResponse, error) {
	r, p := &reader{}, principalOf(ctx)
	v := r.referral(req.GetReferral(), "referral")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	v.ClinicID = p.ClinicID
	stored, err := s.cases.PutReferral(ctx, p, v, int(req.GetExpectedRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PutReferralResponse{Referral: w.referral(stored)})
}

func (s referrals) GetReferral(ctx context.Context, req *pb.GetReferralRequest) (*pb.GetReferralResponse, error) {
	stored, err := s.cases.GetReferral(ctx, principalOf(ctx), lower(req.GetId()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetReferralResponse{Referral: w.referral(stored)})
}

func (s referrals) ListReferrals(ctx context.Context, req *pb.ListReferralsRequest) (*pb.ListReferralsResponse, error) {
	got, err := s.cases.ListReferrals(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListReferralsResponse{Referrals: list(w, got.Items, (*writer).referral), NextCursor: got.Next})
}

func (s referrals) PutJobProfile(ctx context.Context, req *pb.PutJobProfileRequest) (*pb.PutJobProfileResponse, error) {
	r, p := &reader{}, principalOf(ctx)
	v := r.jobProfile(req.GetJobProfile(), "job_profile")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	v.ClinicID = p.ClinicID
	stored, err := s.cases.PutJobProfile(ctx, p, v, int(req.GetExpectedRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PutJobProfileResponse{JobProfile: w.jobProfile(stored)})
}

func (s referrals) GetJobProfile(ctx context.Context, req *pb.GetJobProfileRequest) (*pb.GetJobProfileResponse, error) {
	stored, err := s.cases.GetJobProfile(ctx, principalOf(ctx), lower(req.GetId()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetJobProfileResponse{JobProfile: w.jobProfile(stored)})
}

func (s referrals) ListJobProfiles(ctx context.Context, req *pb.ListJobProfilesRequest) (*pb.ListJobProfilesResponse, error) {
	got, err := s.cases.ListJobProfiles(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListJobProfilesResponse{JobProfiles: list(w, got.Items, (*writer).jobProfile), NextCursor: got.Next})
}

func (s referrals) PutRelease(ctx context.Context, req *pb.PutReleaseRequest) (*pb.PutReleaseResponse, error) {
	r, p := &reader{}, principalOf(ctx)
	v := r.release(req.GetRelease(), "release")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	v.ClinicID = p.ClinicID
	stored, err := s.cases.PutRelease(ctx, p, v, int(req.GetExpectedRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PutReleaseResponse{Release: w.release(stored)})
}

func (s referrals) ListReleases(ctx context.Context, req *pb.ListReleasesRequest) (*pb.ListReleasesResponse, error) {
	got, err := s.cases.ListReleases(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListReleasesResponse{Releases: list(w, got.Items, (*writer).release), NextCursor: got.Next})
}

func (r *reader) referral(m *pb.Referral, at string) record.Referral {
	return record.Referral{
		ID: r.id(m.GetId(), at+".id"), ClientID: r.id(m.GetClientId(), at+".client_id"), PayerID: r.id(m.GetPayerId(), at+".payer_id"), ClaimNumber: r.line(m.GetClaimNumber(), at+".claim_number"),
		Question: r.text(m.GetQuestion(), at+".question"), JobProfileID: r.id(m.GetJobProfileId(), at+".job_profile_id"),
	}
}

func (w *writer) referral(s record.Stored[record.Referral]) *pb.Referral {
	v := s.Value
	return &pb.Referral{
		Id: v.ID, ClientId: v.ClientID, PayerId: v.PayerID, ClaimNumber: v.ClaimNumber, Question: v.Question,
		JobProfileId: v.JobProfileID, Revision: w.revision(s.Revision),
	}
}

func (r *reader) jobProfile(m *pb.JobProfile, at string) record.JobProfile {
	v := record.JobProfile{ID: r.id(m.GetId(), at+".id"), Title: r.line(m.GetTitle(), at+".title"), Tasks: make([]record.JobTask, 0, len(m.GetTasks()))}
	for i, t := range m.GetTasks() {
		here := index(at+".tasks", i)
		v.Tasks = append(v.Tasks, record.JobTask{
			Name: r.line(t.GetName(), here+".name"), Zone: pick(r, zones, t.GetZone(), here+".zone"), Pace: pick(r, paces, t.GetPace(), here+".pace"),
			Load: r.mass(t.GetLoad(), here+".load"),
		})
	}
	v.Positions = r.positionDemands(m.GetPositions(), at+".positions")
	v.Hands = r.handDemands(m.GetHands(), at+".hands")
	return v
}

func (w *writer) jobProfile(s record.Stored[record.JobProfile]) *pb.JobProfile {
	m := &pb.JobProfile{Id: s.Value.ID, Title: s.Value.Title, Revision: w.revision(s.Revision)}
	for _, t := range s.Value.Tasks {
		m.Tasks = append(m.Tasks, &pb.JobTask{Name: t.Name, Zone: say(w, zones, t.Zone), Pace: say(w, paces, t.Pace), Load: w.mass(t.Load)})
	}
	for _, p := range s.Value.Positions {
		m.Positions = append(m.Positions, &pb.PositionDemand{Position: say(w, positionKinds, p.Position), Demand: say(w, tolerances, p.Demand)})
	}
	for _, h := range s.Value.Hands {
		m.Hands = append(m.Hands, &pb.HandDemand{
			Name: h.Name, Measure: say(w, handMeasures, h.Measure), Hand: sayOrNone(w, handSides, h.Hand), Force: w.mass(h.Force),
		})
	}
	return m
}

func (r *reader) positionDemands(all []*pb.PositionDemand, at string) []record.PositionDemand {
	var out []record.PositionDemand
	for i, m := range all {
		here := index(at, i)
		out = append(out, record.PositionDemand{
			Position: pick(r, positionKinds, m.GetPosition(), here+".position"), Demand: pick(r, tolerances, m.GetDemand(), here+".demand"),
		})
	}
	return out
}

func (r *reader) handDemands(all []*pb.HandDemand, at string) []record.HandDemand {
	var out []record.HandDemand
	for i, m := range all {
		here := index(at, i)
		out = append(out, record.HandDemand{
			Name: r.line(m.GetName(), here+".name"), Measure: pick(r, handMeasures, m.GetMeasure(), here+".measure"),
			Hand: pickOrNone(r, handSides, m.GetHand(), here+".hand"), Force: r.mass(m.GetForce(), here+".force"),
		})
	}
	return out
}

func (r *reader) release(m *pb.Release, at string) record.Release {
	return record.Release{
		ID: r.id(m.GetId(), at+".id"), ReferralID: r.id(m.GetReferralId(), at+".referral_id"), PayerID: r.id(m.GetPayerId(), at+".payer_id"), Purpose: r.text(m.GetPurpose(), at+".purpose"),
		ExpiresAt: r.time(m.GetExpiresAt(), at+".expires_at"), Revoked: m.GetRevoked(),
		ResultIDs: r.ids(m.GetResultIds(), at+".result_ids"), RawTrials: m.GetWithRawTrials(),
	}
}

// ids reads a list of ids; none is nil.
func (r *reader) ids(list []string, at string) []string {
	var out []string
	for i, s := range list {
		out = append(out, r.id(s, fmt.Sprintf("%s[%d]", at, i)))
	}
	return out
}

func (w *writer) release(s record.Stored[record.Release]) *pb.Release {
	v := s.Value
	return &pb.Release{
		Id: v.ID, ReferralId: v.ReferralID, PayerId: v.PayerID, Purpose: v.Purpose, ExpiresAt: w.time(v.ExpiresAt),
		Revoked: v.Revoked, ResultIds: v.ResultIDs, WithRawTrials: v.RawTrials, Revision: w.revision(s.Revision),
	}
}
