package advise_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"ponderal.example/internal/engine/advise"
	"ponderal.example/internal/engine/library"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// byteSource reads numbers from the fuzzer's bytes; zeros once they are used up.
type byteSource struct {
	left []byte
	// wild inputs hold numbers far outside what the contract takes.
	wild bool
}

func (b *byteSource) n(most int) int {
	v := 0
	for most > 0 && len(b.left) > 0 {
		v = v<<8 | int(b.left[0])
		b.left = b.left[1:]
		most >>= 8
	}
	return v
}

func (b *byteSource) below(n int) int { return b.n(n) % n }

func (b *byteSource) yes() bool { return b.below(2) == 1 }

func maybe[T any](b *byteSource, make func() T) *T {
	if !b.yes() {
		return nil
	}
	v := make()
	return &v
}

// load is usually some pounds, sometimes any number of units, negative ones too.
func (b *byteSource) load() mass.Mass {
	if b.wild && b.below(16) == 15 {
		return mass.FromUnits(int64(b.n(1<<55)) * int64(1-2*b.below(2)))
	}
	return pounds(int64(1 + b.below(120)))
}

// formulae are all of those published, the usual ones more often, and two that are none.
var formulae = []record.HeartRateFormula{
	record.Fox1971, record.Tanaka2001, record.Fox1971, record.Tanaka2001, record.Gellish2007, record.Gellish2007Quadratic, record.Gulati2010Women,
	record.Sydo2014Men, record.Sydo2014Women, record.Zhu2010, record.BetaBlockerFormula, "", "guess",
}

// whole is usually small, sometimes far outside what the contract takes.
func (b *byteSource) whole(n int) int {
	if b.wild && b.below(16) == 15 {
		return b.n(1<<30)*(1-2*b.below(2)) + 1
	}
	return b.below(n)
}

// body is a body mass that people have, sometimes any.
func (b *byteSource) body() mass.Mass {
	if b.below(8) == 0 {
		return b.load()
	}
	return pounds(int64(90 + b.below(200)))
}

func (b *byteSource) limit() *record.HeartRateLimit {
	return maybe(b, func() record.HeartRateLimit {
		l := record.HeartRateLimit{Formula: formulae[b.below(len(formulae))]}
		switch b.below(3) {
		case 0:
			l.BPM = 60 + b.whole(140)
		case 1:
			l.PercentOfPredicted = 40 + b.whole(60)
		case 2:
			l.PercentOfReserve = 20 + b.whole(80)
		}
		return l
	})
}

func (b *byteSource) protocol() record.Protocol {
	if b.below(4) == 0 {
		all := library.All()
		return all[b.below(len(all))]
	}
	p := record.Protocol{
		Zones: []record.Zone{record.FloorWaist}, Pace: record.Occasional, StartLoad: b.load(), Repetitions: b.whole(6), RestSeconds: b.whole(200),
		HeartRateLimit: b.limit(), HeartRateStartLimit: b.limit(), EffortStop: record.Effort(b.whole(24)), LoadCeiling: maybe(b, b.load),
		RequiresHeartRate: b.yes(), RequiresEffortRating: b.yes(), BackOff: maybe(b, b.load), StopMechanicsGrade: b.whole(5),
		MaxTrials: b.whole(20), RequiresMorePossible: b.yes(),
	}
	from := 0
	for range 1 + b.below(3) {
		p.Steps = append(p.Steps, record.LoadStep{FromEffort: record.Effort(from), Increment: pounds(int64(1 + b.below(20)))})
		from += 1 + b.whole(8)
	}
	if !b.wild {
		p.Repetitions, p.EffortStop, p.StopMechanicsGrade = 1+b.below(5), record.Effort(12+b.below(9)), 2+b.below(2)
		p.StartLoad, p.LoadCeiling, p.MaxTrials = pounds(10), maybe(b, func() mass.Mass { return pounds(int64(10 + b.below(200))) }), b.below(2)*12
	}
	if b.yes() {
		p.PercentOfBodyMass = b.whole(120)
	}
	if b.below(3) == 0 {
		p.Compression = &record.CompressionLimit{CriterionNewtons: 2000 + b.whole(3000), MuscleArmMM: b.below(2) * (30 + b.whole(70)), ForwardMM: b.below(2) * (250 + b.whole(300))}
	}
	if b.yes() {
		p.ScreeningLimits = &record.ScreeningLimits{RestingHeartRate: 60 + b.whole(120), Systolic: 150 + b.whole(100), Diastolic: 50 + b.whole(99)}
	}
	if b.yes() {
		p.Calibration = &record.CalibrationLimit{Days: b.whole(400), Block: b.yes()}
	}
	if b.yes() {
		p.AppliesToSex = record.Female
	}
	return p
}

func (b *byteSource) trial(number int) record.Trial {
	t := record.Trial{
		Number: number, Load: b.load(), Repetitions: b.whole(8), HeartRate: maybe(b, func() int { return b.whole(220) }),
		Effort: maybe(b, func() record.Effort { return record.Effort(b.whole(21)) }), Sustainable: maybe(b, b.yes), MorePossible: maybe(b, b.yes),
	}
	switch b.below(8) {
	case 0:
	case 1:
		t.HeartRate, t.ClosedReason = nil, "strap came off"
		t.Sustainable, t.MorePossible, t.Effort, t.Repetitions = ptr(true), nil, ptr(record.Effort(b.below(12))), 200
	case 2:
		t.Sustainable, t.MorePossible, t.HeartRate, t.Effort, t.Repetitions = ptr(b.yes()), ptr(true), ptr(70), ptr(record.Effort(b.below(12))), 0
	default:
		t.Sustainable, t.MorePossible, t.HeartRate, t.Effort, t.Repetitions = ptr(true), ptr(true), ptr(60+b.below(60)), ptr(record.Effort(b.below(13))), 200
	}
	if b.yes() {
		t.At = at(b.below(60))
	}
	if b.below(32) == 0 {
		t.Signs = []record.MechanicsSign{{Sign: record.SignTwist, Grade: b.whole(4)}}
	}
	if b.below(32) == 0 {
		t.Symptoms = []record.Symptom{record.SymptomOther}
	}
	return t
}

func (b *byteSource) input() advise.Input {
	b.wild = b.below(4) == 0
	in := advise.Input{
		Protocol: b.protocol(),
		Person:   advise.Person{AgeYears: b.whole(100), Sex: []record.Sex{"", record.Female, record.Male}[b.below(3)], BodyMass: maybe(b, b.body), StatureMM: b.below(2) * (1400 + b.whole(700))},
		Screening: record.Screening{
			RestingHeartRate: maybe(b, func() int { return b.whole(120) }), Systolic: maybe(b, func() int { return b.whole(200) }),
			Diastolic: maybe(b, func() int { return b.whole(120) }), RateLimitingDrug: b.yes(),
		},
		RestSeconds: maybe(b, func() int { return b.whole(200) }), HeartRate: maybe(b, func() int { return b.whole(200) }),
		Series: record.Series{Zone: record.FloorWaist, Pace: record.Occasional},
	}
	if b.below(8) == 0 {
		in.Screening.OverrideReason = "cleared"
	}
	if len(in.Protocol.Zones) > 0 {
		in.Series.Zone, in.Series.Pace = in.Protocol.Zones[0], in.Protocol.Pace
	}
	if b.below(8) > 0 {
		in.Now = at(70)
	}
	if b.yes() {
		date := func() string { return []string{"2026-01-01", "2024-01-01", "2026-02-31", "", "2027-01-01"}[b.below(5)] }
		in.Kit = &record.Kit{Tote: record.Piece{Code: "T", Mass: b.load(), VerifiedOn: date()}}
		for i := range b.below(6) {
			in.Kit.Inserts = append(in.Kit.Inserts, record.Piece{Code: string(rune('A' + i)), Mass: pounds(int64(1 + b.below(30))), VerifiedOn: date()})
		}
	}
	if b.below(16) == 0 {
		in.Screening.Symptoms = []record.Symptom{record.SymptomNumbnessOrWeakness}
	}
	if b.below(16) == 0 {
		in.Series.Stop = record.StopAdministrative
	}
	if b.below(16) == 0 {
		in.Symptoms = []record.Symptom{record.SymptomDizziness}
	}
	for i := range b.below(8) {
		in.Series.Trials = append(in.Series.Trials, b.trial(i+1))
	}
	if !b.wild && b.below(4) > 0 {
		ease(&in)
	}
	return in
}

// ease puts right what surrounds the trials, so that advice depends on them alone.
func ease(in *advise.Input) {
	in.Person = advise.Person{AgeYears: 40, Sex: record.Female, BodyMass: ptr(pounds(150)), StatureMM: 1600}
	in.Screening = record.Screening{RestingHeartRate: ptr(50), Systolic: ptr(120), Diastolic: ptr(45)}
	in.Now, in.RestSeconds, in.HeartRate, in.Symptoms, in.Series.Stop = at(700), ptr(90_000), ptr(50), nil, ""
	in.Kit = &record.Kit{Tote: record.Piece{Code: "T", Mass: pounds(5), VerifiedOn: "2026-03-02"}}
	for i, n := range []int64{5, 5, 10, 10, 20, 40} {
		in.Kit.Inserts = append(in.Kit.Inserts, record.Piece{Code: string(rune('A' + i)), Mass: pounds(n), VerifiedOn: "2026-03-02"})
	}
	for i := range in.Series.Trials {
		in.Series.Trials[i].Load = pounds(int64(10 * (i + 1)))
	}
}

// forbidden says why no load may be handled next, told from the input alone and not by the engine's guards; empty when nothing forbids it.
func forbidden(in *advise.Input, load mass.Mass) string {
	p := &in.Protocol
	for i := range in.Series.Trials {
		if why := spoiled(in, &in.Series.Trials[i]); why != "" {
			return why
		}
	}
	over := func(measured *int, limit int) bool { return limit > 0 && (measured == nil || *measured > limit) }
	unmeasured := func(measured *int, limit int) bool { return limit > 0 && measured == nil }
	l, s := p.ScreeningLimits, in.Screening
	switch {
	case len(record.CheckProtocol(*p, "")) > 0 || len(p.Steps) == 0:
		return "unsound protocol"
	case len(in.Symptoms) > 0 || in.Series.Stop != "":
		return "ended"
	case p.AppliesToSex != "" && p.AppliesToSex != in.Person.Sex:
		return "sex"
	case l != nil && s.OverrideReason == "" && (over(s.RestingHeartRate, l.RestingHeartRate) || over(s.Systolic, l.Systolic) || over(s.Diastolic, l.Diastolic)):
		return "screening"
	case l != nil && (unmeasured(s.RestingHeartRate, l.RestingHeartRate) || unmeasured(s.Systolic, l.Systolic) || unmeasured(s.Diastolic, l.Diastolic)):
		return "screening not measured"
	case p.MaxTrials > 0 && len(in.Series.Trials) >= p.MaxTrials:
		return "trials"
	case p.LoadCeiling != nil && p.LoadCeiling.Less(load):
		return "ceiling"
	case len(s.Symptoms) > 0 && s.OverrideReason == "":
		return "red flag"
	case p.Compression != nil && squeezed(in, load):
		return "compression"
	case p.HeartRateLimit != nil && beats(in, p.HeartRateLimit) < 0:
		return "no limit for the heart rate"
	case p.PercentOfBodyMass != 0 && (in.Person.BodyMass == nil || float64(load.Units()) > float64(in.Person.BodyMass.Units())*float64(p.PercentOfBodyMass)/100*(1+1e-12)):
		return "body mass"
	case p.Calibration != nil && p.Calibration.Block && (in.Kit == nil || in.Now.IsZero() || lapsed(in)):
		return "calibration"
	case load.Units() <= 0:
		return "no load"
	}
	if hr := p.HeartRateStartLimit; hr != nil && (in.HeartRate == nil || float64(*in.HeartRate) > beats(in, hr)+1e-9) {
		return "heart rate before"
	}
	if n := len(in.Series.Trials); n > 0 && p.RestSeconds > 0 {
		last := in.Series.Trials[n-1].At
		if in.RestSeconds == nil || *in.RestSeconds < min(p.RestSeconds, 86_400) || !in.Now.IsZero() && !last.IsZero() && in.Now.Std().Sub(last.Std()) < time.Duration(min(p.RestSeconds, 86_400))*time.Second {
			return "rest"
		}
	}
	return ""
}

// spoiled says what of one trial forbids every further load, whatever else was done.
func spoiled(in *advise.Input, t *record.Trial) string {
	p := &in.Protocol
	for _, s := range t.Signs {
		if s.Grade >= 3 || p.StopMechanicsGrade == 2 && s.Grade >= 2 {
			return "mechanics"
		}
	}
	if hr := p.HeartRateLimit; hr != nil && t.HeartRate != nil {
		if rate := beats(in, hr); rate >= 0 && float64(*t.HeartRate) > rate+1e-9 {
			return "heart rate"
		}
	}
	switch {
	case len(t.Symptoms) > 0:
		return "symptom"
	case t.Effort != nil && *t.Effort >= p.EffortStop:
		return "effort"
	case p.LoadCeiling != nil && p.LoadCeiling.Less(t.Load), p.Compression != nil && squeezed(in, t.Load):
		return "above the ceiling"
	case t.MorePossible != nil && !*t.MorePossible:
		return "no more"
	case p.BackOff == nil && t.Sustainable != nil && !*t.Sustainable:
		return "not sustainable"
	case t.ClosedReason == "" && t.Number == len(in.Series.Trials) && lacking(in, t):
		return "missing"
	}
	return ""
}

func lacking(in *advise.Input, t *record.Trial) bool {
	p := &in.Protocol
	return p.RequiresHeartRate && t.HeartRate == nil || (p.RequiresEffortRating || in.Screening.RateLimitingDrug) && t.Effort == nil ||
		t.Sustainable == nil || p.RequiresMorePossible && t.MorePossible == nil
}

func lapsed(in *advise.Input) bool {
	for _, piece := range append([]record.Piece{in.Kit.Tote}, in.Kit.Inserts...) {
		day, err := time.Parse(time.DateOnly, piece.VerifiedOn)
		// A day that no month has is a matter of the kit's own checks.
		if err != nil && piece.VerifiedOn != "2026-02-31" {
			return true
		}
		age := in.Now.Std().Sub(day)
		if err == nil && (age < 0 || age >= time.Duration(min(in.Protocol.Calibration.Days, 50_000)+1)*24*time.Hour) {
			return true
		}
	}
	return false
}

// check advises and holds the advice against forbidden. It returns the action, so that a caller can see that each was tried.
func check(t *testing.T, in advise.Input, w advise.Wish) advise.Action {
	t.Helper()
	a := advise.Advise(&in)
	switch a.Action {
	case advise.Start, advise.Advance, advise.Repeat, advise.BackOff:
		if a.Load == nil {
			t.Fatalf("%s without a load", a.Action)
		}
		if why := forbidden(&in, *a.Load); why != "" {
			t.Fatalf("%s to %s although: %s\n%+v\n%+v", a.Action, a.Load, why, a, in)
		}
		for _, r := range a.Reasons {
			if r.Calls != advise.Note {
				t.Fatalf("%s with a reason to %s", a.Action, r.Calls)
			}
		}
	case advise.Wait, advise.Stop:
		if a.Action == advise.Stop && (a.Load != nil || a.Then != advise.Note) || len(a.Reasons) == 0 {
			t.Fatalf("%+v", a)
		}
	default:
		t.Fatalf("action %q", a.Action)
	}
	checkLoad(t, &in, a)
	checkPlan(t, &in, a, w)
	return a.Action
}

// checkLoad: the load is below every trial that was not completed, an advance is to a heavier load than any that was accepted by a step of the
// protocol.
func checkLoad(t *testing.T, in *advise.Input, a advise.Advice) {
	t.Helper()
	if a.Load == nil {
		return
	}
	action := a.Action
	if action == advise.Wait {
		action = a.Then
	}
	for i := range in.Series.Trials {
		trial := &in.Series.Trials[i]
		if trial.Sustainable != nil && !*trial.Sustainable && !a.Load.Less(trial.Load) {
			t.Fatalf("%s to %s, %s was not sustainable", action, a.Load, trial.Load)
		}
	}
	if action == advise.Start && *a.Load != in.Protocol.StartLoad {
		t.Fatalf("start with %s", a.Load)
	}
}

// FuzzAdvise: any protocol and any trial list: no panic, and no load past a failed guard.
func FuzzAdvise(f *testing.F) {
	for seed := range uint64(8) {
		r := rand.New(rand.NewPCG(seed, 1))
		b := make([]byte, 300)
		for i := range b {
			b[i] = byte(r.IntN(256))
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		from := &byteSource{left: b}
		in := from.input()
		check(t, in, from.wish(&in))
	})
}
