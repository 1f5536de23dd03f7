package rpc

import (
	"testing"

	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/record"
)

// TestFullSessionIsSound: the sample breaks none of the record's rules, so that what a change of it breaks is told by the change.
func TestFullSessionIsSound(t *testing.T) {
	r := &reader{}
	if found := append(record.CheckSession(r.session(fullSession(6, 8), "session"), "session"), r.violations...); len(found) > 0 {
		t.Error(found)
	}
}

// TestOtherSeriesAreValidated: a value just beyond each bound is named, the bound itself is not.
func TestOtherSeriesAreValidated(t *testing.T) {
	v := testValidation(t)
	for _, tt := range []struct {
		field    string
		bad, not func(*pb.Session)
	}{
		{"body.stature_mm", func(s *pb.Session) { s.Body.StatureMm = 999 }, func(s *pb.Session) { s.Body.StatureMm = 1000 }},
		{"body.stature_mm", func(s *pb.Session) { s.Body.StatureMm = 2501 }, func(s *pb.Session) { s.Body.StatureMm = 2500 }},
		{"screening.symptoms[2]", func(s *pb.Session) { s.Screening.Symptoms = []pb.Symptom{1, 2, 99} }, func(s *pb.Session) { s.Screening.Symptoms = []pb.Symptom{1, 2, 6} }},
		{"screening.symptoms", func(s *pb.Session) { s.Screening.Symptoms = []pb.Symptom{1, 2, 1} }, func(s *pb.Session) { s.Screening.Symptoms = nil }},
		{"screening.override_by", func(s *pb.Session) { s.Screening.OverrideBy = "x" }, func(s *pb.Session) { s.Screening.OverrideBy = "" }},
		{"series[0].trials[0].start_heart_rate_bpm", func(s *pb.Session) { s.Series[0].Trials[0].StartHeartRateBpm = proto.Uint32(19) },
			func(s *pb.Session) { s.Series[0].Trials[0].StartHeartRateBpm = proto.Uint32(20) }},
		{"series[0].trials[0].steady_heart_rate_bpm", func(s *pb.Session) { s.Series[0].Trials[0].SteadyHeartRateBpm = proto.Uint32(251) },
			func(s *pb.Session) { s.Series[0].Trials[0].SteadyHeartRateBpm = proto.Uint32(250) }},
		{"hand_series[0].measure", func(s *pb.Session) { s.HandSeries[0].Measure = 5 }, func(s *pb.Session) { s.HandSeries[0].Measure = 4 }},
		{"hand_series[0].hand", func(s *pb.Session) { s.HandSeries[0].Hand = 0 }, func(s *pb.Session) { s.HandSeries[0].Hand = 2 }},
		{"hand_series[0].procedure", func(s *pb.Session) { s.HandSeries[0].Procedure = 4 }, func(s *pb.Session) { s.HandSeries[0].Procedure = 3 }},
		{"hand_series[0].instrument_verified_on", func(s *pb.Session) { s.HandSeries[0].InstrumentVerifiedOn = "2026-1-2" }, func(s *pb.Session) { s.HandSeries[0].InstrumentVerifiedOn = "" }},
		{"hand_series[0].trials", func(s *pb.Session) { s.HandSeries[0].Trials = nil }, func(s *pb.Session) { s.HandSeries[0].Trials = s.HandSeries[0].Trials[:1] }},
		{"hand_series[0].trials[0].number", func(s *pb.Session) { s.HandSeries[0].Trials[0].Number = 0 }, func(s *pb.Session) { s.HandSeries[0].Trials[0].Number = 1 }},
		{"hand_series[0].trials[0].handle_position", func(s *pb.Session) { s.HandSeries[0].Trials[0].HandlePosition = 6 },
			func(s *pb.Session) { s.HandSeries[0].Trials[0].HandlePosition = 5 }},
		{"hand_series[0].trials[0].reading", func(s *pb.Session) { s.HandSeries[0].Trials[0].Reading = nil },
			func(s *pb.Session) { s.HandSeries[0].Trials[0].Reading = pounds("1") }},
		{"position_series[0].position", func(s *pb.Session) { s.PositionSeries[0].Position = 15 }, func(s *pb.Session) { s.PositionSeries[0].Position = 14 }},
		{"position_series[0].rating", func(s *pb.Session) { s.PositionSeries[0].Rating = 0 }, func(s *pb.Session) { s.PositionSeries[0].Rating = 1 }},
		{"position_series[0].bouts[0].asked_seconds", func(s *pb.Session) { s.PositionSeries[0].Bouts[0].AskedSeconds = 0 },
			func(s *pb.Session) { s.PositionSeries[0].Bouts[0].AskedSeconds = 28800 }},
		{"position_series[0].bouts[0].kept_seconds", func(s *pb.Session) { s.PositionSeries[0].Bouts[0].KeptSeconds = 28801 },
			func(s *pb.Session) { s.PositionSeries[0].Bouts[0].KeptSeconds = 0 }},
		{"position_series[0].bouts[0].ended_by", func(s *pb.Session) { s.PositionSeries[0].Bouts[0].EndedBy = 7 },
			func(s *pb.Session) { s.PositionSeries[0].Bouts[0].EndedBy = 6 }},
		{"position_series[0].bouts[0].heart_rate_bpm", func(s *pb.Session) { s.PositionSeries[0].Bouts[0].HeartRateBpm = proto.Uint32(251) },
			func(s *pb.Session) { s.PositionSeries[0].Bouts[0].HeartRateBpm = proto.Uint32(20) }},
	} {
		s := fullSession(1, 1)
		tt.bad(s)
		if got := fieldsOf(t, v.message(testCall(), &pb.PushSessionRequest{Session: s})); got["session."+tt.field] == "" {
			t.Errorf("%s: not named in %v", tt.field, got)
		}
		s = fullSession(1, 1)
		tt.not(s)
		if err := v.message(testCall(), &pb.PushSessionRequest{Session: s}); err != nil {
			t.Errorf("%s: the bound itself is refused: %v", tt.field, fieldsOf(t, err))
		}
	}
}

// TestProtocolPartsAreValidated: the bounds of a ceiling by compression and of a standard error.
func TestProtocolPartsAreValidated(t *testing.T) {
	v := testValidation(t)
	limit := &pb.HeartRateLimit{Limit: &pb.HeartRateLimit_Bpm{Bpm: 150}}
	for _, tt := range []struct {
		field    string
		bad, not func(*pb.Protocol)
	}{
		{"compression.criterion_newtons", func(p *pb.Protocol) { p.Compression.CriterionNewtons = 999 }, func(p *pb.Protocol) { p.Compression.CriterionNewtons = 1000 }},
		{"compression.muscle_arm_mm", func(p *pb.Protocol) { p.Compression.MuscleArmMm = 29 }, func(p *pb.Protocol) { p.Compression.MuscleArmMm = 0 }},
		{"compression.forward_mm", func(p *pb.Protocol) { p.Compression.ForwardMm = 249 }, func(p *pb.Protocol) { p.Compression.ForwardMm = 250 }},
		{"capacity_error.standard_error", func(p *pb.Protocol) { p.CapacityError.StandardError = nil }, func(p *pb.Protocol) { p.CapacityError = nil }},
		{"capacity_error.source", func(p *pb.Protocol) { p.CapacityError.Source = "ab" }, func(p *pb.Protocol) { p.CapacityError.Source = "abc" }},
		{"heart_rate_limit.formula", func(p *pb.Protocol) { p.HeartRateLimit.Formula = 10 }, func(p *pb.Protocol) { p.HeartRateLimit.Formula = 9 }},
	} {
		p := fullProtocol(proto.CloneOf(limit))
		tt.bad(p)
		if got := fieldsOf(t, v.message(testCall(), &pb.PublishProtocolRequest{Protocol: p})); got["protocol."+tt.field] == "" {
			t.Errorf("%s: not named in %v", tt.field, got)
		}
		p = fullProtocol(proto.CloneOf(limit))
		tt.not(p)
		if err := v.message(testCall(), &pb.PublishProtocolRequest{Protocol: p}); err != nil {
			t.Errorf("%s: the bound itself is refused: %v", tt.field, fieldsOf(t, err))
		}
	}
}
