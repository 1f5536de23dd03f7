package deskwork

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"ponderal.example/internal/engine/golden"
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func lb(t *testing.T, value string) mass.Mass {
	t.Helper()
	m, err := mass.Parse(value, mass.Pound)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// rules are the broken rules of an error, as "field rule".
func rules(err error) []string {
	var f *fault.Error
	if !errors.As(err, &f) {
		return nil
	}
	var all []string
	for _, v := range f.Violations {
		all = append(all, v.Field+" "+v.Rule)
	}
	return all
}

func codes(list []record.Remark) string {
	var all []string
	for _, r := range list {
		all = append(all, r.Code)
	}
	return strings.Join(all, " ")
}

// someScoring is the first golden case as a document.
func someScoring(t *testing.T) Scoring {
	t.Helper()
	cases, err := golden.Load("../../testdata/golden")
	if err != nil {
		t.Fatal(err)
	}
	in := cases[0].Input
	return Scoring{Session: in.Session, SessionRevision: in.SessionRevision, Person: in.Person, Protocols: in.Protocols, Job: in.Job, JobRevision: in.JobRevision}
}

// TestScoreChecks: a document is checked as a push is; each change breaks one rule, and the document as it is breaks none.
func TestScoreChecks(t *testing.T) {
	const kitID = "0190a8c4-0000-7000-8000-000000000001"
	kit := record.Kit{ID: kitID, Tote: record.Piece{Code: "T", Mass: lb(t, "10"), VerifiedOn: "2026-01-05"},
		Inserts: []record.Piece{{Code: "A", Mass: lb(t, "20"), VerifiedOn: "2026-01-05"}}}
	withRecipe := func(in *Scoring, codes ...string) {
		in.Session.Series[0].KitID = kitID
		in.Session.Series[0].Trials[0].InsertCodes = codes
	}
	for name, c := range map[string]struct {
		change  func(*Scoring)
		want    string
		caution string
	}{
		"as it is":            {func(*Scoring) {}, "", "judgement"},
		"protocol not given":  {func(in *Scoring) { in.Protocols = nil }, "session.series[0].protocol_digest protocol.given", ""},
		"protocol altered":    {func(in *Scoring) { in.Protocols[0].Protocol.RestSeconds++ }, "protocols[0].digest protocol.digest", ""},
		"another pace":        {func(in *Scoring) { in.Session.Series[0].Pace = record.Constant }, "session.series[0].pace protocol.pace", ""},
		"trials out of order": {func(in *Scoring) { in.Session.Series[0].Trials[1].Number = 7 }, "session.series[0].trials[1].number trial.order", ""},
		"job's task of nothing": {func(in *Scoring) {
			in.Job = &record.JobProfile{Tasks: []record.JobTask{{Name: "a", Zone: record.Carry, Pace: record.Frequent}}}
		}, "job_profile.tasks[0].load job.load_positive", ""},
		"recipe without its kit": {func(in *Scoring) { withRecipe(in, "A") }, "", "judgement recipes_not_checked"},
		"recipe of its kit":      {func(in *Scoring) { withRecipe(in, "A"); in.Kits = []record.Kit{kit} }, "", "judgement"},
		"recipe that adds up to another load": {func(in *Scoring) {
			withRecipe(in, "A")
			in.Session.Series[0].Trials[0].Load = lb(t, "30.001")
			in.Kits = []record.Kit{kit}
		},
			"session.series[0].trials[0].load trial.recipe_sum", ""},
		"kit twice":       {func(in *Scoring) { in.Kits = []record.Kit{kit, kit} }, "kits[1].id kit.once", ""},
		"kit of no date":  {func(in *Scoring) { k := kit; k.Tote.VerifiedOn = "2026-02-30"; in.Kits = []record.Kit{k} }, "kits[0].tote.verified_on date.calendar", ""},
		"kit nobody uses": {func(in *Scoring) { in.Kits = []record.Kit{kit} }, "", "judgement"},
	} {
		in := someScoring(t)
		c.change(&in)
		got, err := Score(in)
		if c.want == "" {
			if err != nil || codes(got.Cautions) != c.caution || got.Finding.SessionID != in.Session.ID {
				t.Errorf("%s: %v %v, cautions %q, want %q", name, err, rules(err), codes(got.Cautions), c.caution)
			}
			continue
		}
		if broken := rules(err); !slices.Equal(broken, []string{c.want}) {
			t.Errorf("%s: %q, want %q", name, broken, c.want)
		}
	}
}

// TestClassifyStrength: a person of 50 lb occasionally and 20 lb frequently against tasks; DOT Appendix C: frequent 10 to 25 lb is medium, whose
// bound of 25 lb is not reached, so light.
func TestClassifyStrength(t *testing.T) {
	fifty, twenty := lb(t, "50"), lb(t, "20")
	q := StrengthQuestion{
		Capacities: []KnownCapacity{{Zone: record.FloorWaist, Pace: record.Occasional, Load: &fifty}, {Zone: record.FloorWaist, Pace: record.Frequent, Load: &twenty}, {Zone: record.Carry, Pace: record.Frequent, Load: &twenty}},
		Tasks: []record.JobTask{
			{Name: "lift", Zone: record.FloorWaist, Pace: record.Occasional, Load: fifty}, {Name: "carry", Zone: record.Carry, Pace: record.Occasional, Load: twenty},
		},
	}
	got, err := ClassifyStrength(q)
	if err != nil {
		t.Fatal(err)
	}
	if z := got.Zones[0]; z.Level != record.Light || z.LimitingSeries != 2 || got.Overall == nil || got.Demand != record.Medium ||
		got.Match.Outcome != record.Meets || codes(got.Cautions) != "judgement matched_at_harder_pace" {
		t.Errorf("%+v, cautions %q", got, codes(got.Cautions))
	}
	q.Tasks[0].Load = lb(t, "50.001")
	if got, err = ClassifyStrength(q); err != nil || got.Match.Outcome != record.DoesNotMeet || got.Match.Tasks[0].ShortBy.String() != "0.001 lb" {
		t.Errorf("a thousandth of a pound more: %+v, %v", got.Match, err)
	}
	q.Tasks[0].Zone = record.Push
	if got, err = ClassifyStrength(q); err != nil || got.Overall != nil || got.Match.Outcome != record.CannotBeDetermined || codes(got.Cautions) != "judgement job_zone_not_tested matched_at_harder_pace" {
		t.Errorf("a zone without a capacity: %+v, %v, %q", got, err, codes(got.Cautions))
	}
}

// TestNothingAccepted: a zone that was tested without an accepted load counts as nothing, not as untested.
func TestNothingAccepted(t *testing.T) {
	got, err := ClassifyStrength(StrengthQuestion{
		Capacities: []KnownCapacity{{Zone: record.Carry, Pace: record.Frequent}},
		Tasks:      []record.JobTask{{Name: "carry", Zone: record.Carry, Pace: record.Frequent, Load: lb(t, "5")}},
	})
	if err != nil || got.Zones[0].Level != record.BelowSedentary || got.Match.Outcome != record.DoesNotMeet {
		t.Errorf("%+v, %v", got, err)
	}
}

func someLift(t *testing.T) LiftingTask {
	t.Helper()
	travel := 10 * measure.PerInch
	return LiftingTask{Name: "a", Load: lb(t, "20"), Origin: LiftingHands{Horizontal: 12 * measure.PerInch, Vertical: 20 * measure.PerInch}, Travel: &travel,
		Rate: measure.PerMinute, Coupling: "good"}
}

// TestLiftingCautions: the equation's limits of use stand beside every answer; beyond 25 in of reach its multiplier is 0 (manual p. 8).
func TestLiftingCautions(t *testing.T) {
	in := Lifting{Form: "us", Duration: "short", Tasks: []LiftingTask{someLift(t)}}
	in.Tasks[0].Origin.Horizontal = 25 * measure.PerInch
	got, err := AnalyzeLifting(in)
	if err != nil || codes(got.Cautions) != "judgement limits_of_the_equation no_clearance" || got.Unit() != mass.Pound {
		t.Errorf("%q, %v", codes(got.Cautions), err)
	}
	in.Tasks[0].Origin.Horizontal++
	got, err = AnalyzeLifting(in)
	if err != nil || codes(got.Cautions) != "judgement limits_of_the_equation no_clearance no_load_recommended" || !got.Composite.Unlimited {
		t.Errorf("%q, %v", codes(got.Cautions), err)
	}
	in.Form = "metric"
	if got, err = AnalyzeLifting(in); err != nil || got.Unit() != mass.Kilogram {
		t.Errorf("metric: %v, %v", got.Unit(), err)
	}
}

// TestLiftingDay: the duration follows from the day: 30 minutes of lifting, 10 of lighter work, 45 of lifting is moderate; with 30 of lighter
// work it is short (manual p. 14). The first edition asks for 36 minutes (1.2 times) there.
func TestLiftingDay(t *testing.T) {
	for _, c := range []struct {
		between int
		first   bool
		want    LiftingDuration
	}{{10, false, "moderate"}, {30, false, "short"}, {29, false, "moderate"}, {30, true, "moderate"}, {36, true, "short"}} {
		in := Lifting{Form: "us", First: c.first, Tasks: []LiftingTask{someLift(t)}, Periods: []WorkPeriod{
			{WorkSeconds: 1800, RecoverySeconds: 60 * c.between}, {WorkSeconds: 2700, RecoverySeconds: 7200},
		}}
		if got, err := AnalyzeLifting(in); err != nil || got.Duration != c.want {
			t.Errorf("%+v: %s, %v", c, got.Duration, err)
		}
	}
}

// TestLiftingSample: 10 lifts a minute for 8 of every 15 minutes are 5.33 (manual p. 16), rated as that rate is.
func TestLiftingSample(t *testing.T) {
	sampled, plain := someLift(t), someLift(t)
	sampled.Rate, sampled.SampleSeconds = 10*measure.PerMinute, 480
	plain.Rate = measure.PerMinute * 16 / 3
	a, errA := AnalyzeLifting(Lifting{Form: "us", Duration: "short", Tasks: []LiftingTask{sampled}})
	b, errB := AnalyzeLifting(Lifting{Form: "us", Duration: "short", Tasks: []LiftingTask{plain}})
	if errA != nil || errB != nil || a.Composite != b.Composite {
		t.Errorf("%v %v, %v %v", a.Composite, errA, b.Composite, errB)
	}
}

// TestAllThatIsWrong: one answer names every task's broken rules of this package.
func TestAllThatIsWrong(t *testing.T) {
	first, second := someLift(t), someLift(t)
	first.Travel, second.SampleSeconds = nil, 901
	_, err := AnalyzeLifting(Lifting{Form: "us", Tasks: []LiftingTask{first, second}})
	want := []string{"tasks[1].name lifting.task_once", "day.periods lifteq.range", "tasks[0].travel lifting.travel", "tasks[1].work_seconds_in_15_minutes lifteq.range"}
	if got := rules(err); !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// TestViolationsOf: an error that names no rule is not lost.
func TestViolationsOf(t *testing.T) {
	if got := violationsOf(errors.New("other")); len(got) != 1 {
		t.Errorf("%v", got)
	}
	if got := violationsOf(nil); got != nil {
		t.Errorf("%v", got)
	}
}

func TestFewTargets(t *testing.T) {
	rows := make([][]float64, 29)
	for i := range rows {
		rows[i] = []float64{float64(i), float64(i % 7), float64(i % 5)}
	}
	few, err := AnalyzeAgreement(Ratings{Rows: rows})
	enough, errEnough := AnalyzeAgreement(Ratings{Rows: append(rows, []float64{1, 2, 3})})
	if err != nil || errEnough != nil || codes(few.Cautions) != "judgement depends_on_sample few_targets" || codes(enough.Cautions) != "judgement depends_on_sample" {
		t.Errorf("%q %v, %q %v", codes(few.Cautions), err, codes(enough.Cautions), errEnough)
	}
}
