package capacity_test

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// signed is a trial of so many pounds with the given signs.
func signed(number int, load int64, signs ...record.MechanicsSign) record.Trial {
	return record.Trial{Number: number, Load: mass.FromUnits(load * 45_359_237_000), Signs: signs}
}

func sign(kind record.SignKind, grade int) record.MechanicsSign {
	return record.MechanicsSign{Sign: kind, Grade: grade}
}

// TestMechanics: a sign of grade 1 is a change and one of grade 0 is not; first and last trial go by number, not by load.
func TestMechanics(t *testing.T) {
	for _, c := range []struct {
		name   string
		trials []record.Trial
		want   *record.MechanicsChange
	}{
		{"no trials", nil, nil},
		{"no signs", []record.Trial{signed(1, 10), signed(2, 20)}, nil},
		{"steady", []record.Trial{signed(1, 10, sign(record.SignTwist, 0)), signed(2, 20, sign(record.SignMomentum, 0))}, nil},
		{"one", []record.Trial{signed(1, 10), signed(2, 20, sign(record.SignTwist, 1))},
			&record.MechanicsChange{OnsetTrial: 2, OnsetLoad: signed(2, 20).Load, EndTrial: 2, EndLoad: signed(2, 20).Load, HighestGrade: 1, Signs: []record.SignKind{record.SignTwist}}},
		{"from the second on, steady again at the end", []record.Trial{
			signed(1, 10, sign(record.SignBreathHolding, 0)), signed(2, 20, sign(record.SignMomentum, 1)), signed(3, 30),
			signed(4, 40, sign(record.SignMomentum, 2), sign(record.SignLoadDistance, 1), sign(record.SignHeelRise, 0)), signed(5, 20, sign(record.SignMomentum, 0)),
		}, &record.MechanicsChange{OnsetTrial: 2, OnsetLoad: signed(2, 20).Load, EndTrial: 4, EndLoad: signed(4, 40).Load, HighestGrade: 2,
			Signs: []record.SignKind{record.SignLoadDistance, record.SignMomentum}}},
		{"a lighter retest is the last", []record.Trial{signed(1, 50, sign(record.SignTwist, 3)), signed(2, 30, sign(record.SignTwist, 1))},
			&record.MechanicsChange{OnsetTrial: 1, OnsetLoad: signed(1, 50).Load, EndTrial: 2, EndLoad: signed(2, 30).Load, HighestGrade: 3, Signs: []record.SignKind{record.SignTwist}}},
		{"beyond the scale, and words that nobody knows", []record.Trial{signed(1, 50, sign("zz", 9), sign(record.SignLoweringControl, 1), sign("aa", 1))},
			&record.MechanicsChange{OnsetTrial: 1, OnsetLoad: signed(1, 50).Load, EndTrial: 1, EndLoad: signed(1, 50).Load, HighestGrade: 3,
				Signs: []record.SignKind{record.SignLoweringControl, "aa", "zz"}}},
	} {
		exact := cmpopts.EquateComparable(mass.Mass{})
		if diff := cmp.Diff(c.want, capacity.Mechanics(c.trials), exact); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
		turned := slices.Clone(c.trials)
		slices.Reverse(turned)
		for i := range turned {
			turned[i].Signs = slices.Clone(turned[i].Signs)
			slices.Reverse(turned[i].Signs)
		}
		if diff := cmp.Diff(c.want, capacity.Mechanics(turned), exact); diff != "" {
			t.Errorf("%s, in another order (-want +got):\n%s", c.name, diff)
		}
	}
}

// TestMechanicsInEitherUnit: 50 lb and 22.6796185 kg are one load (international yard and pound agreement, 1959).
func TestMechanicsInEitherUnit(t *testing.T) {
	kilograms, err := mass.Parse("22.6796185", mass.Kilogram)
	if err != nil {
		t.Fatal(err)
	}
	a := capacity.Mechanics([]record.Trial{signed(1, 50, sign(record.SignTwist, 1))})
	b := capacity.Mechanics([]record.Trial{{Number: 1, Load: kilograms, Signs: []record.MechanicsSign{sign(record.SignTwist, 1)}}})
	if a.OnsetLoad != b.OnsetLoad || a.EndLoad != b.EndLoad {
		t.Errorf("%+v, %+v", a, b)
	}
}

// TestWithLimitsOfRules2: a capacity made with the further limits has their hits, keeps the load that they do not void, and leaves to score what
// came with rules 2.
func TestWithLimitsOfRules2(t *testing.T) {
	p := record.Protocol{Repetitions: 1, EffortStop: 20, HeartRateStartLimit: &record.HeartRateLimit{BPM: 100}, PercentOfBodyMass: 60}
	body := record.BodyMeasures{Mass: ptr(signed(0, 100).Load)}
	limits := guard.LimitsFor(guard.Input{Protocol: &p, Body: &body, Zone: record.FloorWaist})
	s := record.Series{Number: 1, Zone: record.FloorWaist, Pace: record.Occasional, Trials: []record.Trial{signed(1, 60), signed(2, 61, sign(record.SignTwist, 1))}}
	for i := range s.Trials {
		s.Trials[i].Repetitions, s.Trials[i].Sustainable, s.Trials[i].StartHeartRate = 1, ptr(true), ptr(101-i)
	}
	c := capacity.Of(&s, &limits)
	if c.Load == nil || *c.Load != signed(2, 61).Load || c.EndReason != record.EndCeiling || c.AcceptedTrials != 2 || c.BracketTo != nil {
		t.Errorf("%+v", c)
	}
	want := []record.TrialVerdict{
		{Number: 1, Status: record.TrialAccepted, Guards: []record.GuardHit{{Guard: record.GuardHeartRateStart, Measured: "101 bpm", Limit: "100 bpm"}}},
		{Number: 2, Status: record.TrialAccepted, Guards: []record.GuardHit{{Guard: record.GuardLoadCeiling, Measured: "61 lb", Limit: "60 lb (60 % of body mass)", Ends: true}}},
	}
	if diff := cmp.Diff(want, c.Trials); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if c.Mechanics != nil || c.Ceilings != nil || c.Aerobic != nil {
		t.Errorf("a capacity by itself has what score adds: %+v", c)
	}
}

func BenchmarkMechanics(b *testing.B) {
	var trials []record.Trial
	for i := range 8 {
		trials = append(trials, signed(i+1, int64(10*i+10), sign(record.SignTrunkLean, i/3), sign(record.SignMomentum, i/4)))
	}
	b.ReportAllocs()
	for b.Loop() {
		if capacity.Mechanics(trials) == nil {
			b.Fatal("no change")
		}
	}
}
