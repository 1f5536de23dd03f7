package advise_test

import (
	"slices"
	"strings"
	"testing"

	"ponderal.example/internal/engine/advise"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// planning is ready with a tote of 5 lb and inserts A 5, B 5, C 10, D 2.5, E 2.5, F 20 lb.
func planning(trials ...record.Trial) advise.Input {
	in := ready(trials...)
	in.Kit = &record.Kit{Tote: record.Piece{Code: "T", Mass: pounds(5), VerifiedOn: "2026-03-02"}}
	for i, tenths := range []int64{50, 50, 100, 25, 25, 200} {
		in.Kit.Inserts = append(in.Kit.Inserts, record.Piece{
			Code: string(rune('A' + i)), Mass: mass.FromUnits(tenths * 4_535_923_700), VerifiedOn: "2026-03-02",
		})
	}
	return in
}

type planned struct {
	action       advise.Action
	codes        string
	load, recipe string
	below, above string
}

func expectPlan(t *testing.T, name string, in advise.Input, w advise.Wish, want planned) advise.Planned {
	t.Helper()
	p := advise.Plan(&in, w)
	got := planned{action: p.Action, load: text(p.Load), below: text(p.Below), above: text(p.Above)}
	if p.Recipe != nil {
		got.codes, got.recipe = strings.Join(p.Recipe.Codes, "+"), p.Recipe.Load.String()
	}
	if got != want {
		t.Errorf("%s: %+v, want %+v: %+v", name, got, want, p.Reasons)
	}
	refused := slices.ContainsFunc(p.Reasons, func(r advise.Reason) bool { return r.Guard == advise.GuardRecipe && r.Calls == advise.Wait })
	if refused != (want.codes == "" && want.action == advise.Wait) {
		t.Errorf("%s: %+v", name, p.Reasons)
	}
	return p
}

func text(m *mass.Mass) string {
	if m == nil {
		return ""
	}
	return m.String()
}

// TestPlan: the next load with the inserts that make it; where the kit does not make it, what it can make, and no load.
func TestPlan(t *testing.T) {
	expectPlan(t, "start", planning(), advise.Wish{}, planned{action: advise.Start, codes: "A", load: "10 lb", recipe: "10 lb"})
	expectPlan(t, "advance", planning(sound(1, 30)), advise.Wish{}, planned{action: advise.Advance, codes: "F+C+A", load: "40 lb", recipe: "40 lb"})
	in := planning(sound(1, 31))
	expectPlan(t, "not made", in, advise.Wish{}, planned{action: advise.Wait, below: "40 lb", above: "42.5 lb"})
	expectPlan(t, "a tolerance just too small", in, advise.Wish{Tolerance: mass.FromUnits(45_359_237_000 - 1)}, planned{action: advise.Wait, below: "40 lb", above: "42.5 lb"})
	expectPlan(t, "a tolerance just large enough", in, advise.Wish{Tolerance: pounds(1)}, planned{action: advise.Advance, codes: "F+C+A", load: "41 lb", recipe: "40 lb"})
	in.RestSeconds = ptr(59)
	expectPlan(t, "then", planning(sound(1, 30)), advise.Wish{}, planned{action: advise.Advance, codes: "F+C+A", load: "40 lb", recipe: "40 lb"})
	p := expectPlan(t, "not made, and no rest", in, advise.Wish{}, planned{action: advise.Wait, below: "40 lb", above: "42.5 lb"})
	if p.Then != advise.Note || !p.EarliestAt.IsZero() || len(p.Reasons) < 2 {
		t.Errorf("%+v", p)
	}
	in = planning(sound(1, 30))
	in.HeartRate = nil
	if p := advise.Plan(&in, advise.Wish{}); p.Action != advise.Wait || p.Then != advise.Advance || p.Recipe == nil || strings.Join(p.Recipe.Codes, "+") != "F+C+A" {
		t.Errorf("a load in sight has no recipe: %+v", p)
	}
	in = planning(sound(1, 30))
	in.Kit = nil
	in.Protocol.Calibration = nil
	expectPlan(t, "without a kit", in, advise.Wish{}, planned{action: advise.Advance, load: "40 lb"})
}

// TestPlanDifferent: the recipe of a retest looks different, or the advice is to wait; of codes that the kit does not have, nothing differs.
func TestPlanDifferent(t *testing.T) {
	expectPlan(t, "another count", planning(), advise.Wish{DifferFrom: []string{"A"}}, planned{action: advise.Start, codes: "D+E", load: "10 lb", recipe: "10 lb"})
	expectPlan(t, "other codes of another count", planning(), advise.Wish{DifferFrom: []string{"D", "E"}}, planned{action: advise.Start, codes: "A", load: "10 lb", recipe: "10 lb"})
	in := planning()
	in.Kit.Inserts = in.Kit.Inserts[:3]
	p := expectPlan(t, "the same count only", in, advise.Wish{DifferFrom: []string{"A"}}, planned{action: advise.Wait, below: "5 lb", above: "15 lb"})
	if r := p.Reasons[0]; !strings.Contains(r.Text, "look different") {
		t.Errorf("%+v", r)
	}
	p = expectPlan(t, "unknown code", planning(), advise.Wish{DifferFrom: []string{"Z"}}, planned{action: advise.Wait})
	if r := p.Reasons[0]; !strings.Contains(r.Text, "each code names an insert") {
		t.Errorf("%+v", r)
	}
	in = planning()
	in.Kit.Inserts[0].Code = "B"
	expectPlan(t, "unsound kit", in, advise.Wish{}, planned{action: advise.Wait})
}

// TestPlanWithinLimits: whatever the tolerance, a recipe passes no ceiling, reaches no load that failed and repeats no accepted one as heavier
// or lighter; and what passes a ceiling is not named either.
func TestPlanWithinLimits(t *testing.T) {
	wide := advise.Wish{Tolerance: pounds(3)}
	// 39 + 10 = 49: 50 is nearest, 47.5 is next; no kit without D and E has 47.5.
	in := planning(sound(1, 38))
	in.Protocol.LoadCeiling = ptr(pounds(48))
	expectPlan(t, "exactly the ceiling", in, wide, planned{action: advise.Advance, codes: "F+C+A+B+D", load: "48 lb", recipe: "47.5 lb"})
	in.Kit.Inserts = append(in.Kit.Inserts[:3:3], in.Kit.Inserts[5])
	in.Kit.Inserts[1].Mass = pounds(6)
	expectPlan(t, "above the ceiling", in, wide, planned{action: advise.Advance, codes: "F+C+B+A", load: "48 lb", recipe: "46 lb"})
	p := expectPlan(t, "above the ceiling, exactly", in, advise.Wish{}, planned{action: advise.Wait, below: "46 lb"})
	if !strings.Contains(p.Reasons[0].Text, "the nearest that it makes is 46 lb below") {
		t.Errorf("%+v", p.Reasons)
	}
	// 40 lb accepted, 45 lb advised after 50 lb failed: 50 is too heavy, 40 too light, each within 5 lb.
	failed := sound(2, 50)
	failed.Repetitions = 1
	in = planning(sound(1, 40), failed)
	in.Kit.Inserts = []record.Piece{in.Kit.Inserts[0], in.Kit.Inserts[2], in.Kit.Inserts[5]}
	in.Kit.Inserts[0].Mass = pounds(15)
	expectPlan(t, "failed above, accepted below", in, advise.Wish{Tolerance: pounds(5)}, planned{action: advise.Wait, below: "40 lb"})
	in.Kit.Inserts[0].Mass = mass.FromUnits(pounds(15).Units() - 1)
	expectPlan(t, "just lighter than what failed", in, advise.Wish{Tolerance: pounds(5)},
		planned{action: advise.BackOff, codes: "F+A+C", load: "45 lb", recipe: mass.FromUnits(pounds(50).Units() - 1).String()})
}

// BenchmarkPlan: the advice of BenchmarkAdvise with a recipe from 24 inserts of different masses.
func BenchmarkPlan(b *testing.B) {
	in := usual()
	for i := range in.Kit.Inserts {
		in.Kit.Inserts[i].Mass = mass.FromUnits(226_796_185_000 + int64(i*i*i)*7919)
	}
	if p := advise.Plan(&in, advise.Wish{}); p.Action != advise.Wait || p.Below == nil {
		b.Fatalf("%+v", p)
	}
	b.ReportAllocs()
	for b.Loop() {
		advise.Plan(&in, advise.Wish{})
	}
}
