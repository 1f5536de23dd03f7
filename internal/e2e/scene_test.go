package e2e

import (
	"fmt"
	"testing"
	"time"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// ready gives a clinic people, a client, a referral and a protocol, and returns the protocol's digest.
func (w *world) ready(clinic string) string {
	t, admin := w.t, w.admin(clinic)
	t.Helper()
	w.clinic(clinic, dana)
	must(w.cases.PutClient(w.ctx, admin, record.Client{ID: id("a1", 1), GivenName: "Pat", FamilyName: "Example", BirthDate: "1980-03-05", Sex: record.Female}, 0))(t)
	must(w.cases.PutReferral(w.ctx, admin, record.Referral{ID: id("e1", 1), ClientID: id("a1", 1), PayerID: payer, ClaimNumber: "X-1"}, 0))(t)
	return must(w.cases.PublishProtocol(w.ctx, admin, record.Protocol{Name: "Occasional lift", Zones: []record.Zone{record.FloorWaist},
		Pace: record.Occasional, StartLoad: lb(t, 15), Steps: []record.LoadStep{{Increment: lb(t, 10)}}, Repetitions: 1, RestSeconds: 60,
		EffortStop: 16, RequiresHeartRate: true, RequiresEffortRating: true, Source: "common practice, no source"}))(t).Value.Digest
}

func lb(t testing.TB, n int) mass.Mass {
	t.Helper()
	return must(mass.Parse(fmt.Sprint(n), mass.Pound))(t)
}

func ptr[T any](v T) *T { return &v }

// session is one series of three trials, in the contract's form.
func session(t testing.TB, digest string, n int) *pb.Session {
	t.Helper()
	start := day.Add(-3 * time.Hour)
	s := record.Session{ID: id("5e", n), ReferralID: id("e1", 1), EvaluatorID: dana, StartedAt: record.TimeOf(start),
		EndedAt: record.TimeOf(start.Add(time.Hour)), Screening: record.Screening{RestingHeartRate: ptr(70), Systolic: ptr(120), Diastolic: ptr(80)}}
	series := record.Series{Number: 1, Zone: record.FloorWaist, Pace: record.Occasional, ProtocolDigest: digest, Stop: record.StopVolitional}
	for j := range 3 {
		series.Trials = append(series.Trials, record.Trial{Number: j + 1, At: record.TimeOf(start.Add(time.Duration(5+3*j) * time.Minute)),
			Load: lb(t, 15+10*j), Repetitions: 1, HeartRate: ptr(90 + 8*j), Effort: ptr(record.Effort(4 + 2*j)), Sustainable: ptr(true),
			MorePossible: ptr(j < 2)})
	}
	s.Series = []record.Series{series}
	out := message(t, s)
	out.ClinicId = ""
	return out
}

func (w *world) push(call caller.Caller, s *pb.Session) (*pb.PushSessionResponse, error) {
	return caller.Do[pb.PushSessionResponse](w.ctx, call, "SessionService/PushSession", &pb.PushSessionRequest{Session: s})
}

// problem demands that a call was refused, by code and, over REST, by status.
func problem(t *testing.T, name string, way caller.Way, err error, code string, http int) *caller.Problem {
	t.Helper()
	p, ok := caller.AsProblem(err)
	if !ok {
		t.Errorf("%s over %v: %v, want a refusal with details", name, way, err)
		return nil
	}
	if p.Code != code || way == caller.REST && p.HTTP != http || p.Reason == "" {
		t.Errorf("%s over %v: %s, HTTP %d, reason %q, want %s, %d (%v)", name, way, p.Code, p.HTTP, p.Reason, code, http, p)
	}
	return p
}
