package advise_test

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/advise"
	"ponderal.example/internal/engine/body"
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// published are the formulae for the maximum heart rate as constant, linear and square term, for whom, and the ages in years
// (03_hr_max_formulae.csv; S11 to S18).
var published = map[record.HeartRateFormula]struct {
	a, b, c  float64
	sex      record.Sex
	from, to int
}{
	record.Fox1971: {220, -1, 0, "", 1, 120}, record.Tanaka2001: {208, -0.7, 0, "", 1, 120}, record.Gellish2007: {206.9, -0.67, 0, "", 18, 120},
	record.Gellish2007Quadratic: {191.5, 0, -0.007, "", 18, 120}, record.Gulati2010Women: {206, -0.88, 0, record.Female, 18, 120},
	record.Sydo2014Men: {220, -0.95, 0, record.Male, 40, 89}, record.Sydo2014Women: {210, -0.79, 0, record.Female, 40, 89},
	record.Zhu2010: {179, 0.29, -0.011, "", 18, 50}, record.BetaBlockerFormula: {164, -0.7, 0, "", 1, 120},
}

// beats is a heart-rate limit in floats; -1 where it cannot be worked out for this person.
func beats(in *advise.Input, l *record.HeartRateLimit) float64 {
	if l.PercentOfPredicted == 0 && l.PercentOfReserve == 0 {
		return max(float64(l.BPM), 0)
	}
	f, ok := published[l.Formula]
	age := in.Person.AgeYears
	if !ok || age < f.from || age > f.to || f.sex != "" && f.sex != in.Person.Sex {
		return -1
	}
	highest := f.a + f.b*float64(age) + f.c*float64(age)*float64(age)
	if l.PercentOfPredicted != 0 {
		return max(highest*float64(l.PercentOfPredicted)/100, 0)
	}
	rest := in.Screening.RestingHeartRate
	if rest == nil {
		return -1
	}
	return max(float64(*rest)+(highest-float64(*rest))*float64(l.PercentOfReserve)/100, 0)
}

// squeezed reports whether the estimated compression of a load is above the criterion at an end of the zone, or cannot be estimated. It
// asks the model forwards, where the engine solves for the load.
func squeezed(in *advise.Input, load mass.Mass) bool {
	if in.Series.Zone == record.Push || in.Series.Zone == record.Pull {
		return false
	}
	if in.Person.BodyMass == nil || in.Person.StatureMM <= 0 || in.Person.StatureMM > 10_000 {
		return true
	}
	who := body.Person{Stature: measure.Length(in.Person.StatureMM) * measure.PerMillimetre, Mass: *in.Person.BodyMass}
	stations, err := body.StationsFor(who.Stature)
	if err != nil {
		return true
	}
	c := in.Protocol.Compression
	arm, forward := c.MuscleArmMM, c.ForwardMM
	if arm == 0 {
		arm = 50
	}
	if forward == 0 {
		forward = 250
	}
	ends := map[record.Zone][]measure.Length{
		record.FloorWaist: {stations.Floor, stations.Waist}, record.WaistShoulder: {stations.Waist, stations.Shoulder},
		record.ShoulderOverhead: {stations.Shoulder, stations.Overhead}, record.FloorShoulder: {stations.Floor, stations.Shoulder},
		record.Carry: {stations.Waist},
	}[in.Series.Zone]
	for _, height := range ends {
		e, err := body.Compression(who, body.Hands{Height: height, Forward: measure.Length(forward) * measure.PerMillimetre}, load,
			body.Model{MuscleArmMillimetres: arm, CriterionNewtons: c.CriterionNewtons})
		if err != nil || e.Compression > float64(c.CriterionNewtons)+1e-6 {
			return true
		}
	}
	return len(ends) == 0
}

func (b *byteSource) wish(in *advise.Input) advise.Wish {
	w := advise.Wish{}
	if b.yes() {
		w.Tolerance = pounds(int64(b.below(6)))
	}
	if in.Kit != nil && b.below(3) == 0 {
		for _, p := range in.Kit.Inserts {
			if b.yes() {
				w.DifferFrom = append(w.DifferFrom, p.Code)
			}
		}
	}
	return w
}

// checkPlan: the plan is the advice with a recipe that a trial of every set of inserts finds too, and that no guard forbids; or, where
// there is none, a wait without a load.
func checkPlan(t *testing.T, in *advise.Input, a advise.Advice, w advise.Wish) {
	t.Helper()
	p := advise.Plan(in, w)
	refused := slices.ContainsFunc(p.Reasons, func(r advise.Reason) bool { return r.Guard == advise.GuardRecipe })
	if a.Load == nil || in.Kit == nil || p.Recipe != nil {
		if refused || !cmp.Equal(p.Advice, a, cmp.Comparer(func(x, y mass.Mass) bool { return x == y }), cmp.Comparer(func(x, y record.Time) bool { return x.Equal(y) })) {
			t.Fatalf("plan %+v, advice %+v", p, a)
		}
	}
	switch {
	case p.Recipe == nil && (a.Load == nil || in.Kit == nil):
	case p.Recipe == nil:
		if !refused || p.Action != advise.Wait || p.Load != nil || p.Then != advise.Note || !p.EarliestAt.IsZero() {
			t.Fatalf("no recipe and %+v", p)
		}
		if sets := made(in, *a.Load, a, w); len(sets) > 0 {
			t.Fatalf("no recipe for %s, but %v\n%+v\n%+v", a.Load, sets, w, in)
		}
		if p.Above != nil && overCeiling(in, *p.Above) {
			t.Fatalf("the nearest above, %s, is above a ceiling", p.Above)
		}
	default:
		if why := forbidden(in, p.Recipe.Load); why != "" && p.Action != advise.Wait {
			t.Fatalf("%s made of %v although: %s\n%+v", p.Recipe.Load, p.Recipe.Codes, why, in)
		}
		if !slices.Contains(made(in, *a.Load, a, w), p.Recipe.Load) || overCeiling(in, p.Recipe.Load) {
			t.Fatalf("%s made of %v for %s\n%+v\n%+v", p.Recipe.Load, p.Recipe.Codes, a.Load, w, in)
		}
		sum := in.Kit.Tote.Mass
		for _, piece := range in.Kit.Inserts {
			if slices.Contains(p.Recipe.Codes, piece.Code) {
				sum = sum.Add(piece.Mass)
			}
		}
		if sum != p.Recipe.Load || len(w.DifferFrom) > 0 && len(p.Recipe.Codes) == len(w.DifferFrom) {
			t.Fatalf("%v make %s, not %s", p.Recipe.Codes, sum, p.Recipe.Load)
		}
	}
}

func overCeiling(in *advise.Input, load mass.Mass) bool {
	p := &in.Protocol
	return p.LoadCeiling != nil && p.LoadCeiling.Less(load) || p.Compression != nil && squeezed(in, load) ||
		p.PercentOfBodyMass != 0 && float64(load.Units()) > float64(in.Person.BodyMass.Units())*float64(p.PercentOfBodyMass)/100*(1+1e-12)
}

// made are the loads of every set of inserts that may stand for the load advised.
func made(in *advise.Input, load mass.Mass, a advise.Advice, w advise.Wish) []mass.Mass {
	if len(record.CheckKit(*in.Kit, "")) > 0 {
		return nil
	}
	action := a.Action
	if action == advise.Wait {
		action = a.Then
	}
	var loads []mass.Mass
	for set := range 1 << len(in.Kit.Inserts) {
		sum, count := in.Kit.Tote.Mass, 0
		for i, p := range in.Kit.Inserts {
			if set>>i&1 == 1 {
				sum, count = sum.Add(p.Mass), count+1
			}
		}
		off := sum.Sub(load).Units()
		if max(off, -off) > w.Tolerance.Units() || len(w.DifferFrom) > 0 && count == len(w.DifferFrom) || overCeiling(in, sum) || !fits(in, action, sum) {
			continue
		}
		loads = append(loads, sum)
	}
	return loads
}

// fits: below every load that failed; for a heavier or a lighter load, above every accepted one. What failed and what was accepted is told by
// the client's answers and the repetitions.
func fits(in *advise.Input, action advise.Action, load mass.Mass) bool {
	for i := range in.Series.Trials {
		t := &in.Series.Trials[i]
		whole := !lacking(in, t) && t.Sustainable != nil
		if t.Sustainable != nil && !*t.Sustainable || whole && t.Repetitions < in.Protocol.Repetitions {
			if !load.Less(t.Load) {
				return false
			}
		} else if whole && action != advise.Repeat && action != advise.Start && !t.Load.Less(load) {
			return false
		}
	}
	return true
}
