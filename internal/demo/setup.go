package demo

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/demo/scenario"
)

// ways is how each clinic's app calls.
var ways = []caller.Way{caller.GRPC, caller.REST, caller.GRPC}

// tokenDays is how long the tokens of the demonstration work.
const tokenDays = 7

// setUp makes the network by the methods of its administrators.
func (s *story) setUp(ctx context.Context) error {
	p := s.p
	p.say("%s: three clinics, their people, a kit each, protocols, target jobs, and one payer. All people, firms and numbers are invented; "+
		"the date of the day is %s. Protocols are starting points for the responsible clinician (source: common practice, no source).",
		scenario.Network, s.day.Date.Format("2006-01-02"))
	network := s.service.As(s.o.AdminToken, caller.GRPC)
	s.tokens = append(s.tokens, tokenLine{"NETWORK", "network administrator", s.o.AdminToken})
	if err := network.Call(ctx, "ClinicService/PutPayer", &ponderalv1.PutPayerRequest{Payer: s.day.Payer}, &ponderalv1.PutPayerResponse{}); err != nil {
		return err
	}
	secret, err := s.token(ctx, network, &ponderalv1.CreateTokenRequest{PayerId: s.day.Payer.Id, Label: "claims system", Roles: []ponderalv1.Role{ponderalv1.Role_ROLE_PAYER}})
	if err != nil {
		return err
	}
	s.payer = s.service.As(secret, caller.REST)
	s.tokens = append(s.tokens, tokenLine{"PAYER", s.day.Payer.Name, secret})
	var rows [][]string
	for i, c := range s.day.Clinics {
		d := &clinicDay{Clinic: c, way: ways[i], digests: map[string]string{}, findings: map[string]*ponderalv1.Finding{}, results: map[string]*ponderalv1.Result{}}
		s.clinics = append(s.clinics, d)
		if err := s.setUpClinic(ctx, network, d, i); err != nil {
			return fmt.Errorf("%s: %w", c.Clinic.Name, err)
		}
		p.progress("clinics", i+1, len(s.day.Clinics))
		rows = append(rows, []string{c.Clinic.Name, unitWord(c.Clinic.DisplayUnit), string(d.way), c.Reviewer.Name, fmt.Sprint(len(c.Kit.Inserts)), fmt.Sprint(len(c.Visits))})
	}
	p.blank()
	p.table([]string{"clinic", "unit", "its app", "reviewer", "inserts", "clients"}, "    rr", rows)
	return nil
}

func (s *story) setUpClinic(ctx context.Context, network caller.Caller, d *clinicDay, index int) error {
	if err := network.Call(ctx, "ClinicService/PutClinic", &ponderalv1.PutClinicRequest{Clinic: d.Clinic.Clinic}, &ponderalv1.PutClinicResponse{}); err != nil {
		return err
	}
	id := d.Clinic.Clinic.Id
	for _, m := range d.Members() {
		in := &ponderalv1.PutMemberRequest{Member: m, ClinicId: id}
		if err := network.Call(ctx, "MemberService/PutMember", in, &ponderalv1.PutMemberResponse{}); err != nil {
			return err
		}
	}
	if err := s.clinicTokens(ctx, network, d, index); err != nil {
		return err
	}
	if err := d.admin.Call(ctx, "KitService/PutKit", &ponderalv1.PutKitRequest{Kit: d.Kit}, &ponderalv1.PutKitResponse{}); err != nil {
		return err
	}
	for _, protocol := range d.Protocols {
		got, err := caller.Do[ponderalv1.PublishProtocolResponse](ctx, d.admin, "ProtocolService/PublishProtocol", &ponderalv1.PublishProtocolRequest{Protocol: protocol})
		if err != nil {
			return err
		}
		d.digests[protocol.Name] = got.GetProtocol().GetDigest()
	}
	for _, job := range d.Jobs {
		in := &ponderalv1.PutJobProfileRequest{JobProfile: job}
		if err := d.admin.Call(ctx, "ReferralService/PutJobProfile", in, &ponderalv1.PutJobProfileResponse{}); err != nil {
			return err
		}
	}
	return s.intake(ctx, d)
}

// clinicTokens makes the administrator's token with the network's credential, and the others with the administrator's own.
func (s *story) clinicTokens(ctx context.Context, network caller.Caller, d *clinicDay, index int) error {
	id, tag := d.Clinic.Clinic.Id, fmt.Sprint(index+1)
	secret, err := s.token(ctx, network, &ponderalv1.CreateTokenRequest{ClinicId: id, MemberId: d.Admin.Id, Label: d.Admin.Name, Roles: d.Admin.Roles})
	if err != nil {
		return err
	}
	d.admin = s.service.As(secret, d.way)
	s.tokens = append(s.tokens, tokenLine{"ADMIN" + tag, d.Admin.Name + ", " + d.Clinic.Clinic.Name, secret})
	if secret, err = s.signIn(ctx, d); err != nil {
		return fmt.Errorf("sign in as the reviewer: %w", err)
	}
	d.reviewer = s.service.As(secret, d.way)
	s.tokens = append(s.tokens, tokenLine{"REVIEWER" + tag, d.Reviewer.Name + ", " + d.Clinic.Clinic.Name, secret},
		tokenLine{"PASSWORD" + tag, "asked for again when " + d.Reviewer.Name + " signs", d.password})
	if secret, err = s.token(ctx, d.admin, &ponderalv1.CreateTokenRequest{Label: "station 1", Roles: []ponderalv1.Role{ponderalv1.Role_ROLE_STATION}}); err != nil {
		return err
	}
	d.station, d.stationToken = s.service.As(secret, d.way), secret
	s.tokens = append(s.tokens, tokenLine{"STATION" + tag, "station 1, " + d.Clinic.Clinic.Name, secret})
	return nil
}

func (s *story) token(ctx context.Context, c caller.Caller, in *ponderalv1.CreateTokenRequest) (string, error) {
	in.ExpiresAt = timestamppb.New(s.o.Now().Add(tokenDays * 24 * time.Hour))
	got, err := caller.Do[ponderalv1.CreateTokenResponse](ctx, c, "TokenService/CreateToken", in)
	if err != nil {
		return "", err
	}
	if got.GetSecret() == "" || strings.ContainsAny(got.GetSecret(), " \n'\"") {
		return "", fmt.Errorf("token %s: its secret is empty or not plain", got.GetToken().GetId())
	}
	return got.GetSecret(), nil
}

// intake records clients, referrals and releases.
func (s *story) intake(ctx context.Context, d *clinicDay) error {
	for _, v := range d.Visits {
		if missing, ok := v.Bind(d.digests); !ok {
			return fmt.Errorf("protocol %q is not published", missing)
		}
		if err := d.admin.Call(ctx, "ClientService/PutClient", &ponderalv1.PutClientRequest{Client: v.Client}, &ponderalv1.PutClientResponse{}); err != nil {
			return err
		}
		if err := d.admin.Call(ctx, "ReferralService/PutReferral", &ponderalv1.PutReferralRequest{Referral: v.Referral}, &ponderalv1.PutReferralResponse{}); err != nil {
			return err
		}
		if v.Release == nil {
			continue
		}
		if err := d.admin.Call(ctx, "ReferralService/PutRelease", &ponderalv1.PutReleaseRequest{Release: v.Release}, &ponderalv1.PutReleaseResponse{}); err != nil {
			return err
		}
	}
	return nil
}
