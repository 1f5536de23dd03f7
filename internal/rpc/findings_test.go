package rpc

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// fullFinding is a finding with every field set, of rules 2.
func fullFinding(load mass.Mass) record.Finding {
	strength := record.ZoneStrength{
		Zone: record.FloorWaist, Level: record.Light, Within: record.Medium, WithinUpTo: &load, LimitingSeries: 1,
		LimitingPace: record.Occasional, Basis: record.Measured,
	}
	guards := []record.GuardHit{{Guard: record.GuardEffortStop, Measured: "8", Limit: "8", Voids: true, Ends: true}}
	return record.Finding{
		SessionID: someID, SessionRevision: 2, Engine: "2", Complete: true, Overall: &strength, Zones: []record.ZoneStrength{strength},
		Remarks: []record.Remark{{Code: "c", Text: "t"}},
		Capacities: []record.Capacity{{
			SeriesNumber: 1, Zone: record.FloorWaist, Pace: record.Occasional, Load: &load, BracketTo: &load,
			EndReason: record.EndEffort, AcceptedTrials: 3, TotalTrials: 4,
			Trials: []record.TrialVerdict{{Number: 1, Status: record.TrialAccepted, Guards: guards}},
			Mechanics: &record.MechanicsChange{
				OnsetTrial: 2, OnsetLoad: load, EndTrial: 4, EndLoad: load, HighestGrade: 3, Signs: []record.SignKind{record.SignTrunkLean, record.SignTwist},
			},
			Ceilings: []record.LoadCeiling{{Basis: record.CeilingCompression, Load: &load, Text: "held still"}},
			Aerobic:  &record.AerobicDemand{Trial: 3, SteadyHeartRate: 112, PercentOfReserve: "31.5", SustainableFor: "8 h", Source: "s"},
		}},
		Job:       fullJobMatch(load),
		Screening: &record.ScreeningFinding{Status: record.ScreeningOverridden, Guards: guards, Missing: []string{"systolic"}},
		Projected: []record.ProjectedCapacity{{
			Zone: record.FloorWaist, Pace: record.Frequent, Load: load, FromSeries: 1, FromPace: record.Occasional, Percent: 50, Source: "s",
		}},
		Hands: []record.HandStrength{{
			SeriesNumber: 1, Measure: record.Grip, Hand: record.LeftHand, Procedure: record.HandRepeated, Strength: load, Trials: 3,
			VariationPercent: "4.1", Norms: []record.NormStanding{{Norm: "n", Percentile: "25.0", Bound: "below", Source: "s"}},
		}},
		Positions: []record.PositionTolerance{{
			SeriesNumber: 1, Position: record.Crawling, Tolerance: record.ToleratedNever, Rating: record.ToleratedFrequent,
			Observed: record.ToleratedOccasional, AskedSeconds: 300, KeptSeconds: 90, LongestSeconds: 60,
		}},
		Consistency: &record.Consistency{
			Indicators: []record.Indicator{{
				Kind: "effort_vs_load", Series: 1, State: record.IndicatorDisagrees, Value: "0.2", Unit: "u", Pairs: 6, P: "0.3", Method: "exact",
				Slope: "0.1", SlopeUnit: "per kg", Reason: "r",
			}},
			Rules:    []record.IndicatorRule{{Kind: "effort_vs_load", Expected: "e", Threshold: "t", Source: "s", Critique: "c"}},
			Assessed: 4, Agree: 1, Mixed: 2, Disagree: 3, NotAssessed: 5, Summary: "s", Caution: "c",
		},
		Limits: []record.WorkLimit{{Text: "up to 50 lb", Kind: record.LimitLoad, Basis: record.Projected, SeriesNumber: 1}},
	}
}

func fullJobMatch(load mass.Mass) *record.JobMatch {
	return &record.JobMatch{
		JobProfileID: otherID, JobProfileRevision: 1, Title: "Mover", Demand: record.Heavy, Outcome: record.MeetsWithLimits,
		Missing: []string{"carry"}, RestsOn: []string{"series 1, trial 3"},
		Tasks: []record.TaskMatch{{
			Task: "boxes", Zone: record.Carry, Pace: record.Frequent, Demand: load, Capacity: &load, Verdict: record.TaskWithinError, ShortBy: &load,
			Basis: record.Projected, SeriesNumber: 2, MeasurementError: &load,
		}},
		Positions: []record.PositionMatch{{
			Position: record.Sitting, Demand: record.ToleratedConstant, Tolerance: record.ToleratedFrequent, Verdict: record.TaskShort, SeriesNumber: 4,
		}},
		Hands: []record.HandMatch{{
			Name: "pliers", Measure: record.Grip, Hand: record.RightHand, Demand: load, Strength: &load, Verdict: record.TaskShort, ShortBy: &load, SeriesNumber: 3,
		}},
	}
}

func TestFindingIsWrittenWhole(t *testing.T) {
	fifty, err := mass.Parse("50", mass.Pound)
	if err != nil {
		t.Fatal(err)
	}
	w := &writer{}
	got := w.finding(record.Stored[record.Finding]{Value: fullFinding(fifty), Revision: record.Revision{Number: 2, Entry: 9, At: record.TimeOf(someTime)}})
	if w.err != nil {
		t.Fatal(w.err)
	}
	checkFull(t, got)
	for _, part := range []struct {
		name      string
		got, want any
	}{
		{"mechanics", got.GetCapacities()[0].GetMechanics(), &pb.MechanicsChange{OnsetTrial: 2, OnsetLoad: pounds("50"), EndTrial: 4,
			EndLoad: pounds("50"), HighestGrade: 3, Signs: []string{"trunk_lean", "twist"}}},
		{"ceiling", got.GetCapacities()[0].GetCeilings()[0], &pb.LoadCeiling{Basis: "compression", Load: pounds("50"), Text: "held still"}},
		{"position", got.GetPositions()[0], &pb.PositionTolerance{SeriesNumber: 1, Position: pb.Position_POSITION_CRAWLING,
			Tolerance: pb.Tolerance_TOLERANCE_NEVER, Rating: pb.Tolerance_TOLERANCE_FREQUENT, Observed: pb.Tolerance_TOLERANCE_OCCASIONAL,
			AskedSeconds: 300, KeptSeconds: 90, LongestSeconds: 60}},
		{"task", got.GetJob().GetTasks()[0], &pb.TaskMatch{Task: "boxes", Zone: pb.Zone_ZONE_CARRY, Pace: pb.Pace_PACE_FREQUENT, Demand: pounds("50"),
			Capacity: pounds("50"), Verdict: pb.TaskVerdict_TASK_VERDICT_WITHIN_ERROR, ShortBy: pounds("50"), Basis: pb.Basis_BASIS_PROJECTED,
			SeriesNumber: 2, MeasurementError: pounds("50")}},
		{"limit", got.GetLimits()[0], &pb.WorkLimit{Text: "up to 50 lb", Kind: "load", Basis: pb.Basis_BASIS_PROJECTED, SeriesNumber: 1}},
	} {
		if d := cmp.Diff(part.want, part.got, protocmp.Transform()); d != "" {
			t.Errorf("%s (-want +got):\n%s", part.name, d)
		}
	}
	if c := got.GetConsistency(); c.GetAssessed() != 4 || c.GetAgree() != 1 || c.GetMixed() != 2 || c.GetDisagree() != 3 || c.GetNotAssessed() != 5 {
		t.Errorf("consistency counts changed: %v", c)
	}
}

// TestFindingOfRules1HasNothingNew: what rules 1 leave out is absent on the wire, too.
func TestFindingOfRules1HasNothingNew(t *testing.T) {
	w := &writer{}
	got := w.finding(record.Stored[record.Finding]{Value: record.Finding{
		Engine: "1", Capacities: []record.Capacity{{Zone: record.Carry, Pace: record.Frequent, EndReason: record.EndIncomplete}},
	}})
	if w.err != nil {
		t.Fatal(w.err)
	}
	if got.GetScreening() != nil || got.GetConsistency() != nil || got.GetHands() != nil || got.GetPositions() != nil || got.GetProjected() != nil ||
		got.GetLimits() != nil || got.GetCapacities()[0].GetMechanics() != nil || got.GetCapacities()[0].GetAerobic() != nil || got.GetCapacities()[0].GetCeilings() != nil {
		t.Errorf("got %v", got)
	}
}

// TestFindingWithAnUnknownWordIsRefused: no word of the new parts is left out in silence.
func TestFindingWithAnUnknownWordIsRefused(t *testing.T) {
	for name, change := range map[string]func(*record.Finding){
		"screening":         func(f *record.Finding) { f.Screening.Status = "x" },
		"projected pace":    func(f *record.Finding) { f.Projected[0].FromPace = "x" },
		"hand":              func(f *record.Finding) { f.Hands[0].Hand = "x" },
		"observed":          func(f *record.Finding) { f.Positions[0].Observed = "x" },
		"no tolerance":      func(f *record.Finding) { f.Positions[0].Tolerance = record.NoTolerance },
		"indicator":         func(f *record.Finding) { f.Consistency.Indicators[0].State = "x" },
		"basis of a limit":  func(f *record.Finding) { f.Limits[0].Basis = "x" },
		"verdict on a hand": func(f *record.Finding) { f.Job.Hands[0].Verdict = "" },
		"demanded position": func(f *record.Finding) { f.Job.Positions[0].Position = "" },
		"basis of a task":   func(f *record.Finding) { f.Job.Tasks[0].Basis = "x" },
		"negative count":    func(f *record.Finding) { f.Consistency.Mixed = -1 },
	} {
		f := fullFinding(mass.Zero())
		change(&f)
		w := &writer{}
		if w.finding(record.Stored[record.Finding]{Value: f}); w.err == nil {
			t.Errorf("%s: written", name)
		}
	}
}
