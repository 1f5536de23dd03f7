package score_test

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"testing"

	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/record"
)

// TestRules1KnowNothingNew: a finding by rules 1 is the same whatever stands in the parts that came with rules 2.
func TestRules1KnowNothingNew(t *testing.T) {
	differ := 0
	each(t, func(t *testing.T, _ *rand.Rand, in score.Input) {
		in.Rules = score.Rules1
		_, with := scored(t, in)
		in.Rules = score.Rules2
		_, newer := scored(t, in)
		in.Rules = score.Rules1
		_, without := scored(t, old(in))
		if !bytes.Equal(with, without) {
			t.Errorf("with the new parts %s\nwithout %s", with, without)
		}
		if !bytes.Equal(with, newer) {
			differ++
		}
	})
	if differ != rounds {
		t.Errorf("rules 2 gave another finding %d times, want each time", differ)
	}
}

// old is the input as rules 1 knew it.
func old(in score.Input) score.Input {
	in.Kits = nil
	in.Session.Body, in.Session.HandSeries, in.Session.PositionSeries = nil, nil, nil
	in.Session.Screening.Symptoms = nil
	in.Session.Series = slices.Clone(in.Session.Series)
	for i := range in.Session.Series {
		s := &in.Session.Series[i]
		s.Trials = slices.Clone(s.Trials)
		for k := range s.Trials {
			s.Trials[k].StartHeartRate, s.Trials[k].SteadyHeartRate = nil, nil
		}
	}
	protocols := map[string]record.Protocol{}
	for digest, p := range in.Protocols {
		p.PercentOfBodyMass, p.Compression, p.CapacityError, p.Calibration, p.ScreeningLimits, p.HeartRateStartLimit = 0, nil, nil, nil, nil, nil
		protocols[digest] = p
	}
	in.Protocols = protocols
	if in.Job != nil {
		job := *in.Job
		job.Positions, job.Hands = nil, nil
		in.Job = &job
	}
	return in
}
