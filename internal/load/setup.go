package load

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/types/known/timestamppb"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// site is one clinic with what a push refers to. token is a station's, admin an administrator's.
type site struct {
	clinic, token, admin, referral, evaluator, protocol string
}

// setUp makes the clinics through the public API: an administrator, an evaluator, a station, a protocol, a client and a referral each.
func setUp(ctx context.Context, o Options, conn *grpc.ClientConn) (payer string, sites []site, err error) {
	network := as(ctx, o.AdminToken)
	payer = o.NewID().String()
	_, err = ponderalv1.NewClinicServiceClient(conn).PutPayer(network, &ponderalv1.PutPayerRequest{
		Payer: &ponderalv1.Payer{Id: payer, Name: "Load payer (invented)"}})
	if err != nil {
		return "", nil, fmt.Errorf("put payer: %w", err)
	}
	sites = make([]site, o.Clinics)
	for i := range sites {
		if sites[i], err = setUpSite(ctx, o, conn, payer, i); err != nil {
			return "", nil, fmt.Errorf("set up clinic %d: %w", i+1, err)
		}
	}
	return payer, sites, nil
}

func as(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

func setUpSite(ctx context.Context, o Options, conn *grpc.ClientConn, payer string, i int) (site, error) {
	s := site{clinic: o.NewID().String(), referral: o.NewID().String(), evaluator: o.NewID().String()}
	network := as(ctx, o.AdminToken)
	_, err := ponderalv1.NewClinicServiceClient(conn).PutClinic(network, &ponderalv1.PutClinicRequest{
		Clinic: &ponderalv1.Clinic{Id: s.clinic, Name: "Load clinic " + strconv.Itoa(i+1) + " (invented)", DisplayUnit: ponderalv1.Unit_UNIT_LB}})
	if err != nil {
		return site{}, fmt.Errorf("put clinic: %w", err)
	}
	_, err = ponderalv1.NewMemberServiceClient(conn).PutMember(network, &ponderalv1.PutMemberRequest{ClinicId: s.clinic,
		Member: &ponderalv1.Member{Id: s.evaluator, Name: "Load Evaluator (invented)",
			Roles: []ponderalv1.Role{ponderalv1.Role_ROLE_EVALUATOR, ponderalv1.Role_ROLE_CLINIC_ADMIN}}})
	if err != nil {
		return site{}, fmt.Errorf("put member: %w", err)
	}
	if s.admin, err = token(network, o, conn, s, ponderalv1.Role_ROLE_CLINIC_ADMIN, s.evaluator); err != nil {
		return site{}, err
	}
	if s.token, err = token(network, o, conn, s, ponderalv1.Role_ROLE_STATION, ""); err != nil {
		return site{}, err
	}
	clinic := as(ctx, s.admin)
	published, err := ponderalv1.NewProtocolServiceClient(conn).PublishProtocol(clinic, &ponderalv1.PublishProtocolRequest{Protocol: protocol()})
	if err != nil {
		return site{}, fmt.Errorf("publish protocol: %w", err)
	}
	s.protocol = published.GetProtocol().GetDigest()
	return s, setUpReferral(clinic, o, conn, s.referral, payer)
}

func token(ctx context.Context, o Options, conn *grpc.ClientConn, s site, role ponderalv1.Role, member string) (string, error) {
	made, err := ponderalv1.NewTokenServiceClient(conn).CreateToken(ctx, &ponderalv1.CreateTokenRequest{ClinicId: s.clinic, MemberId: member,
		Label: "load", Roles: []ponderalv1.Role{role}, ExpiresAt: timestamppb.New(o.Now().Add(24 * time.Hour))})
	if err != nil {
		return "", fmt.Errorf("create token: %w", err)
	}
	return made.GetSecret(), nil
}

func setUpReferral(ctx context.Context, o Options, conn *grpc.ClientConn, referral, payer string) error {
	client := o.NewID().String()
	_, err := ponderalv1.NewClientServiceClient(conn).PutClient(ctx, &ponderalv1.PutClientRequest{
		Client: &ponderalv1.Client{Id: client, GivenName: "Load", FamilyName: "Client (invented)", BirthDate: "1985-04-02", Sex: ponderalv1.Sex_SEX_MALE}})
	if err != nil {
		return fmt.Errorf("put client: %w", err)
	}
	_, err = ponderalv1.NewReferralServiceClient(conn).PutReferral(ctx, &ponderalv1.PutReferralRequest{
		Referral: &ponderalv1.Referral{Id: referral, ClientId: client, PayerId: payer, ClaimNumber: "LOAD-1"}})
	if err != nil {
		return fmt.Errorf("put referral: %w", err)
	}
	return nil
}

func protocol() *ponderalv1.Protocol {
	return &ponderalv1.Protocol{Name: "Load protocol",
		Zones: []ponderalv1.Zone{ponderalv1.Zone_ZONE_FLOOR_WAIST, ponderalv1.Zone_ZONE_WAIST_SHOULDER, ponderalv1.Zone_ZONE_SHOULDER_OVERHEAD,
			ponderalv1.Zone_ZONE_FLOOR_SHOULDER, ponderalv1.Zone_ZONE_CARRY, ponderalv1.Zone_ZONE_PUSH},
		Pace: ponderalv1.Pace_PACE_OCCASIONAL, StartLoad: pounds(10), Steps: []*ponderalv1.LoadStep{{Increment: pounds(10)}}, Repetitions: 3,
		RestSeconds: 30, EffortStop: 8, RequiresHeartRate: true, RequiresEffortRating: true, Source: "common practice, no source",
		HeartRateLimit: &ponderalv1.HeartRateLimit{Limit: &ponderalv1.HeartRateLimit_PercentOfPredictedMaximum{PercentOfPredictedMaximum: 85},
			Formula: ponderalv1.HeartRateFormula_HEART_RATE_FORMULA_TANAKA_2001}}
}

func pounds(n int) *ponderalv1.Mass {
	return &ponderalv1.Mass{Value: strconv.Itoa(n), Unit: ponderalv1.Unit_UNIT_LB}
}

// makeBatch makes sessions in turn for each clinic; effort and heart rate rise with the load.
func makeBatch(o Options, sites []site, count int) []item {
	batch := make([]item, count)
	for i := range batch {
		s := sites[i%len(sites)]
		batch[i] = item{token: s.token, clinic: s.clinic, request: &ponderalv1.PushSessionRequest{Session: session(o, s)}}
	}
	return batch
}

func session(o Options, s site) *ponderalv1.Session {
	start := o.Now().Add(-4 * time.Hour).Truncate(time.Second)
	rest := uint32(66)
	made := &ponderalv1.Session{Id: o.NewID().String(), ReferralId: s.referral, EvaluatorId: s.evaluator, StartedAt: timestamppb.New(start),
		EndedAt: timestamppb.New(start.Add(3 * time.Hour)), Screening: &ponderalv1.Screening{RestingHeartRateBpm: &rest}}
	at := start
	for n := range seriesPerSession {
		series := &ponderalv1.Series{Number: uint32(n + 1), Zone: ponderalv1.Zone(n + 1), Pace: ponderalv1.Pace_PACE_OCCASIONAL,
			ProtocolDigest: s.protocol, Stop: ponderalv1.Stop_STOP_VOLITIONAL}
		for k := range trialsPerSeries {
			at = at.Add(2 * time.Minute)
			series.Trials = append(series.Trials, trial(k, at))
		}
		made.Series = append(made.Series, series)
	}
	return made
}

func trial(k int, at time.Time) *ponderalv1.Trial {
	heart, effort, yes, more := uint32(84+7*k), float64(k)*0.5+3, true, k < trialsPerSeries-1
	t := &ponderalv1.Trial{Number: uint32(k + 1), At: timestamppb.New(at), Load: pounds(10 + 10*k), Repetitions: 3, HeartRateBpm: &heart,
		EffortRating: &effort, Sustainable: &yes, MorePossible: &more}
	if k >= trialsPerSeries-2 {
		t.Signs = []*ponderalv1.MechanicsSign{{Sign: ponderalv1.Sign_SIGN_TRUNK_LEAN, Grade: 1}}
	}
	return t
}
