package advise

import (
	"errors"

	"ponderal.example/internal/engine/recipe"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
)

// Wish says how the next load is to be made.
type Wish struct {
	// Tolerance is how far the load that the kit makes may be off; zero for exactly.
	Tolerance mass.Mass
	// DifferFrom are the codes of the inserts from which the recipe must look different, for a blinded retest; none where it need not.
	DifferFrom []string
}

// Planned is advice with the recipe of its load.
type Planned struct {
	Advice
	// Recipe is nil without a kit or a load. Its load may be off the load advised by the tolerance, but passes no ceiling and reaches no
	// load that failed; where the advice is a heavier or a lighter load, it is heavier than every accepted one.
	Recipe *recipe.Recipe
	// Below and Above are, where the kit does not make the load, the nearest that it makes of those that the limits let be handled.
	Below, Above *mass.Mass
}

// Plan says what comes next, as Advise does, and with which inserts of the kit. Where the kit cannot make the load the advice is to wait, with
// no load: what cannot be made is not offered.
func Plan(in *Input, w Wish) Planned {
	j := judge{in: in}
	next := j.look()
	p := Planned{Advice: j.decide(next)}
	if p.Load == nil || in.Kit == nil {
		return p
	}
	wanted := j.wanted(next, w)
	made, err := recipe.Make(*in.Kit, wanted)
	if err == nil && made.Recipe != nil {
		p.Recipe = made.Recipe
		return p
	}
	if err != nil {
		j.say(Wait, GuardRecipe, next.load.String(), "", "No recipe can be found for the next load: "+why(err)+".")
	} else {
		p.Below, p.Above = made.Below, made.Above
		if p.Above != nil && !j.allowed(*p.Above) {
			p.Above = nil
		}
		j.say(Wait, GuardRecipe, next.load.String(), within(w.Tolerance), p.cannot(len(w.DifferFrom) > 0))
	}
	// Not known what follows: the load is another, or the kit is.
	p.Advice = j.decide(move{})
	return p
}

// mostUnits is 1000 kg, the highest load that the contract takes, in units of 1e-11 kg.
const mostUnits = 1000 * 100_000_000_000

// wanted are the bounds between which a load stands for the one advised.
func (j *judge) wanted(next move, w Wish) recipe.Wanted {
	tolerance := w.Tolerance
	if tolerance.Units() < 0 {
		tolerance = mass.Zero()
	}
	want := recipe.Wanted{Target: next.load, Low: next.load.Sub(tolerance), High: next.load.Add(tolerance)}
	if len(w.DifferFrom) > 0 {
		want.DifferFrom = w.DifferFrom
	}
	unit := mass.FromUnits(1)
	s := &j.state
	if s.hasBest && (next.action == Advance || next.action == BackOff) {
		want.Low = heavier(want.Low, s.best.Add(unit))
	}
	want.Low = heavier(want.Low, unit)
	if s.hasFailed && !want.High.Less(s.failed) {
		want.High = s.failed.Sub(unit)
	}
	if low, known, _ := j.limits.Lowest(); known && low.Less(want.High) {
		want.High = low
	}
	// No load is more than this; beyond it a recipe is not looked for.
	if most := mass.FromUnits(mostUnits); most.Less(want.High) && !most.Less(next.load) {
		want.High = most
	}
	return want
}

// allowed reports whether no ceiling and no failed load is in the way of a load.
func (j *judge) allowed(load mass.Mass) bool {
	return !j.overCeiling(load) && (!j.state.hasFailed || load.Less(j.state.failed))
}

func heavier(a, b mass.Mass) mass.Mass {
	if a.Less(b) {
		return b
	}
	return a
}

func within(tolerance mass.Mass) string {
	if tolerance.Units() <= 0 {
		return "exactly"
	}
	return "within " + tolerance.String()
}

// cannot says what the kit makes instead.
func (p *Planned) cannot(different bool) string {
	text := "The kit does not make the next load; "
	if different {
		text = "The kit does not make the next load with inserts that look different, of another number; "
	}
	switch {
	case p.Below == nil && p.Above == nil:
		text += "it makes none that the limits allow."
	case p.Below == nil:
		text += "the nearest that it makes is " + p.Above.String() + " above."
	case p.Above == nil:
		text += "the nearest that it makes is " + p.Below.String() + " below; above it makes none that the limits allow."
	default:
		text += "the nearest that it makes are " + p.Below.String() + " below and " + p.Above.String() + " above."
	}
	return text + " Add inserts, or let the load be off by a tolerance."
}

// why is the first broken rule of a search that was refused.
func why(err error) string {
	var f *fault.Error
	if errors.As(err, &f) && len(f.Violations) > 0 {
		return f.Violations[0].Text
	}
	return "the search is refused"
}
