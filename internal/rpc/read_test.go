package rpc

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
)

func TestTextsAndIDs(t *testing.T) {
	for _, tt := range []struct {
		name string
		read func(*reader, string, string) string
		in   string
		want string // rule; empty when taken
	}{
		{"name", (*reader).line, "Zoë O'Brien-名前 😀", ""},
		{"no name", (*reader).line, "", ""},
		{"name of two lines", (*reader).line, "Eve\nforged", "text.line"},
		{"name with an escape", (*reader).line, "\x1b[31mEve", "text.line"},
		{"name with a next line", (*reader).line, "Eve\u0085", "text.line"},
		{"name with a line separator", (*reader).line, "Eve\u2028", "text.line"},
		{"name turned round", (*reader).line, "Eve\u202e", "text.line"},
		{"name with a joiner", (*reader).line, "नी\u200dव", ""},
		{"blank name", (*reader).line, " \u00a0 ", "text.blank"},
		{"reason of two lines", (*reader).text, "read wrongly\r\n\tby one", ""},
		{"no reason", (*reader).text, "", ""},
		{"reason with a nul", (*reader).text, "read\x00", "text.plain"},
		{"reason with an isolate", (*reader).text, "read\u2066", "text.plain"},
		{"blank reason", (*reader).text, "   ", "text.blank"},
		{"id", (*reader).id, someID, ""},
		{"no id", (*reader).id, "", ""},
		{"nil id", (*reader).id, nilID, "id.nil"},
		{"next to the nil id", (*reader).id, "00000000-0000-0000-0000-000000000001", ""},
	} {
		r := &reader{}
		tt.read(r, tt.in, "at")
		var want []string
		if tt.want != "" {
			want = []string{tt.want}
		}
		var got []string
		for _, v := range r.violations {
			got = append(got, v.Rule)
			if v.Field != "at" {
				t.Errorf("%s: names %q", tt.name, v.Field)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", tt.name, got, want)
		}
	}
}

// TestTextsAreReadByPath: every text and id of the requests that write is read with the path under which the caller knows it.
func TestTextsAreReadByPath(t *testing.T) {
	const bad = "a\x00"
	mass, now := pounds("10"), timestamppb.New(someTime)
	session := fullSession(1, 1)
	session.Id, session.ReferralId, session.EvaluatorId, session.Series[0].KitId = nilID, nilID, nilID, nilID
	session.Series[0].StopNote, session.Series[0].Trials[0].ClosedReason, session.Screening.OverrideReason = bad, bad, bad
	session.Screening.OverrideBy, session.HandSeries[0].Instrument, session.HandSeries[0].Note, session.PositionSeries[0].Note = nilID, bad, bad, bad
	protocol := fullProtocol(nil)
	protocol.CapacityError.Source = bad
	r := &reader{}
	r.protocol(protocol, "protocol")
	r.clinic(&pb.Clinic{Id: someID, Name: bad, DisplayUnit: pb.Unit_UNIT_LB}, "clinic")
	r.payer(&pb.Payer{Id: nilID, Name: bad}, "payer")
	r.member(&pb.Member{Id: nilID, Name: bad, Credential: bad}, "member")
	r.newToken(&pb.CreateTokenRequest{Label: bad, ExpiresAt: now})
	r.client(&pb.Client{Id: nilID, GivenName: bad, FamilyName: bad}, "client")
	r.referral(&pb.Referral{Id: nilID, ClientId: nilID, PayerId: nilID, JobProfileId: nilID, ClaimNumber: bad, Question: bad}, "referral")
	r.jobProfile(&pb.JobProfile{Id: nilID, Title: bad, Tasks: []*pb.JobTask{{Name: bad, Zone: 1, Pace: 1, Load: mass}},
		Hands: []*pb.HandDemand{{Name: bad, Measure: 1, Force: mass}}}, "job_profile")
	r.release(&pb.Release{Id: nilID, ReferralId: nilID, PayerId: nilID, Purpose: bad, ExpiresAt: now}, "release")
	r.kit(&pb.Kit{Id: nilID, Name: bad, Tote: &pb.Piece{Mass: mass}}, "kit")
	r.session(session, "session")
	r.signing(&pb.SignResultRequest{SessionId: nilID, ResultId: nilID, Meaning: 1, Comment: bad})
	r.superseding(&pb.SupersedeResultRequest{SupersededId: nilID, Meaning: 1, Reason: bad})
	var got []string
	for _, v := range r.violations {
		got = append(got, v.Field)
	}
	want := []string{"clinic.name", "payer.id", "payer.name", "member.id", "member.name", "member.credential", "label", "client.id", "client.given_name",
		"client.family_name", "referral.id", "referral.client_id", "referral.payer_id", "referral.claim_number", "referral.question",
		"referral.job_profile_id", "job_profile.id", "job_profile.title", "job_profile.tasks[0].name", "job_profile.hands[0].name", "release.id", "release.referral_id",
		"release.payer_id", "release.purpose", "kit.id", "kit.name", "session.id", "session.referral_id", "session.evaluator_id",
		"session.screening.override_by", "session.hand_series[0].instrument", "session.hand_series[0].note", "session.position_series[0].note",
		"protocol.capacity_error.source", "session.screening.override_reason", "session.series[0].kit_id", "session.series[0].stop_note",
		"session.series[0].trials[0].closed_reason", "session_id", "result_id", "comment", "superseded_id", "reason"}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("named\n%q, want\n%q", got, want)
	}
}
