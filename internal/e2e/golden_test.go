package e2e

import (
	"bytes"
	"encoding/json"
	"fmt"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/engine/golden"
	"ponderal.example/internal/record"
)

// TestGoldenCases pushes every golden case through gRPC into one clinic and through REST into another. Both must store the case's finding
// byte by byte, and answer with it.
func TestGoldenCases(t *testing.T) {
	t.Parallel()
	cases := must(golden.Load("../../testdata/golden"))(t)
	w := newWorld(t)
	for i, c := range cases {
		var answers []*pb.Finding
		for j, way := range both {
			clinic := id(fmt.Sprint("c", j), i+1)
			w.prepare(clinic, c.Input)
			call := w.service.As(w.token(clinic, "", record.RoleStation), way)
			s := message(t, c.Input.Session)
			s.ClinicId = ""
			pushed, err := caller.Do[pb.PushSessionResponse](w.ctx, call, "SessionService/PushSession", &pb.PushSessionRequest{Session: s})
			if err != nil {
				t.Errorf("%s over %v: %v", c.Name, way, err)
				continue
			}
			stored := w.ask("SELECT body FROM ponderal.finding WHERE clinic_id = $1 AND id = $2", clinic, c.Input.Session.ID)
			want := must(record.CanonicalFinding(c.Finding))(t)
			if len(stored) != 1 || stored[0] != string(want) {
				t.Errorf("%s over %v: stored finding\n%s\nwant\n%s", c.Name, way, stored, want)
			}
			pushed.Finding.Revision = nil
			answers = append(answers, pushed.Finding)
			sameOnTheWire(t, c, pushed.Finding)
		}
		if len(answers) == 2 && !proto.Equal(answers[0], answers[1]) {
			t.Errorf("%s: gRPC answers %v, REST %v", c.Name, answers[0], answers[1])
		}
	}
}

// prepare gives a clinic what the case's session refers to.
func (w *world) prepare(clinic string, in golden.Input) {
	t, admin, s := w.t, w.admin(clinic), in.Session
	t.Helper()
	w.clinic(clinic, s.EvaluatorID)
	born := s.StartedAt.Std().AddDate(-in.Person.AgeYears, 0, 0).Format("2006-01-02")
	client := id("a1", 1)
	must(w.cases.PutClient(w.ctx, admin, record.Client{ID: client, GivenName: "Pat", FamilyName: "Example", BirthDate: born, Sex: in.Person.Sex}, 0))(t)
	referral := record.Referral{ID: s.ReferralID, ClientID: client, PayerID: payer, ClaimNumber: "X-1"}
	if in.Job != nil {
		job := *in.Job
		job.ClinicID = ""
		for r := 1; r < in.JobRevision; r++ {
			earlier := job
			earlier.Title = fmt.Sprint("before ", r)
			must(w.cases.PutJobProfile(w.ctx, admin, earlier, r-1))(t)
		}
		must(w.cases.PutJobProfile(w.ctx, admin, job, in.JobRevision-1))(t)
		referral.JobProfileID = job.ID
	}
	must(w.cases.PutReferral(w.ctx, admin, referral, 0))(t)
	for _, k := range in.Kits {
		k.ClinicID = ""
		must(w.cases.PutKit(w.ctx, admin, k, 0))(t)
	}
	for _, p := range in.Protocols {
		if got := must(w.cases.PublishProtocol(w.ctx, admin, p.Protocol))(t); got.Value.Digest != p.Digest {
			t.Fatalf("protocol digest %s, want %s", got.Value.Digest, p.Digest)
		}
	}
}

// sameOnTheWire compares the answer with the case member by member, in the contract's words.
func sameOnTheWire(t *testing.T, c golden.Case, got *pb.Finding) {
	t.Helper()
	var doc map[string]any
	if err := json.Unmarshal(must(record.CanonicalFinding(c.Finding))(t), &doc); err != nil {
		t.Fatal(err)
	}
	var wire map[string]any
	text := must(protojson.MarshalOptions{UseProtoNames: true}.Marshal(got))(t)
	if err := json.Unmarshal(text, &wire); err != nil {
		t.Fatal(err)
	}
	for _, member := range []string{"session_id", "engine", "session_revision", "complete"} {
		want := doc[member]
		if want == false {
			want = nil
		}
		if wire[member] != want {
			t.Errorf("%s: %s on the wire is %v, want %v", c.Name, member, wire[member], want)
		}
	}
	for i, capacity := range doc["capacities"].([]any) {
		want := worded("", capacity).(map[string]any)
		have := wire["capacities"].([]any)[i].(map[string]any)
		for _, member := range []string{"zone", "pace", "end_reason", "load", "bracket_to"} {
			a, b := must(json.Marshal(want[member]))(t), must(json.Marshal(have[member]))(t)
			if !bytes.Equal(a, b) {
				t.Errorf("%s: capacity %d: %s on the wire is %s, want %s", c.Name, i, member, b, a)
			}
		}
	}
}
