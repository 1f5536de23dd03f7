package guard_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ponderal.example/internal/engine/body"
	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/engine/heartrate"
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func parse(t testing.TB, value string, unit mass.Unit) mass.Mass {
	t.Helper()
	m, err := mass.Parse(value, unit)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func measures(t testing.TB, statureMM int, value string, unit mass.Unit) *record.BodyMeasures {
	b := record.BodyMeasures{StatureMM: statureMM}
	if value != "" {
		b.Mass = ptr(parse(t, value, unit))
	}
	return &b
}

// TestSameAsRules1: where a protocol asks for nothing that is new, both rules find the same, whatever else is known.
func TestSameAsRules1(t *testing.T) {
	p := strict()
	person, s := record.Person{AgeYears: 40, Sex: record.Female}, record.Screening{RestingHeartRate: ptr(60), RateLimitingDrug: true}
	before := guard.LimitsOf(&p, person, s)
	after := guard.LimitsFor(guard.Input{Protocol: &p, Person: person, Screening: s, Body: measures(t, 1700, "70", mass.Kilogram), Zone: record.Carry, Kit: kit()})
	trial := good()
	trial.StartHeartRate, trial.InsertCodes, trial.HeartRate = ptr(249), []string{"C12"}, ptr(150)
	for range 2 {
		if diff := cmp.Diff(before.Work(&trial), after.Work(&trial)); diff != "" {
			t.Errorf("(-rules 1 +rules 2):\n%s", diff)
		}
		trial.HeartRate, trial.Load, trial.Repetitions, trial.Effort = ptr(151), pounds(51), 3, ptr(record.Effort(16))
		trial.Signs, trial.Symptoms = []record.MechanicsSign{{Sign: record.SignTwist, Grade: 3}}, []record.Symptom{record.SymptomOther}
	}
	if after.LimitsStartRate() || after.BlocksCalibration() || after.StartRateMissing() != "" {
		t.Error("limits what the protocol does not")
	}
}

// TestRules1KnowTwoFormulae: what came later is to rules 1 no formula, and a protocol's further limits nothing.
func TestRules1KnowTwoFormulae(t *testing.T) {
	p := strict()
	p.PercentOfBodyMass, p.Compression = 10, &record.CompressionLimit{CriterionNewtons: 1000}
	p.HeartRateStartLimit, p.Calibration = &record.HeartRateLimit{BPM: 90}, &record.CalibrationLimit{Days: 1, Block: true}
	trial := good()
	trial.StartHeartRate, trial.InsertCodes = ptr(120), []string{"C12"}
	person := record.Person{AgeYears: 40}
	for _, f := range heartrate.Formulae() {
		p.HeartRateLimit = &record.HeartRateLimit{PercentOfPredicted: 85, Formula: f}
		want := hit(record.GuardMissingMeasurement, "", "heart-rate formula", false, false)
		if f == record.Fox1971 || f == record.Tanaka2001 {
			want = nil
		}
		l := guard.LimitsOf(&p, person, record.Screening{})
		if diff := cmp.Diff(want, l.Work(&trial)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", f, diff)
		}
		if l.LimitsStartRate() || l.BlocksCalibration() {
			t.Errorf("%s: rules 1 limit what came with rules 2", f)
		}
	}
	p.HeartRateLimit = &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Zhu2010}
	l := guard.LimitsOf(&p, record.Person{}, record.Screening{})
	if diff := cmp.Diff(hit(record.GuardMissingMeasurement, "", "age", false, false), l.Work(&trial)); diff != "" {
		t.Errorf("without an age (-want +got):\n%s", diff)
	}
}

// TestFormulaForThePerson: a formula that was not made for the person leaves the trial open; for whom it was made, the limit holds: 85 % of
// 206 - 0.88 x 50 is 137.7 (Gulati et al., Circulation 2010;122:130-137; testdata/reference/03_hr_max_check_values.csv, S14).
func TestFormulaForThePerson(t *testing.T) {
	p := strict()
	p.HeartRateLimit = &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Gulati2010Women}
	for _, c := range []struct {
		who  record.Person
		bpm  int
		want []record.GuardHit
	}{
		{record.Person{AgeYears: 50, Sex: record.Female}, 137, nil},
		{record.Person{AgeYears: 50, Sex: record.Female}, 138, hit(record.GuardHeartRateWork, "138 bpm", "137.7 bpm", true, true)},
		{record.Person{AgeYears: 50, Sex: record.Male}, 138, hit(record.GuardMissingMeasurement, "", "heart-rate formula for this sex", false, false)},
		{record.Person{AgeYears: 50}, 138, hit(record.GuardMissingMeasurement, "", "sex", false, false)},
		{record.Person{AgeYears: 17, Sex: record.Female}, 138, hit(record.GuardMissingMeasurement, "", "heart-rate formula for this age", false, false)},
	} {
		l := guard.LimitsFor(guard.Input{Protocol: &p, Person: c.who})
		trial := good()
		trial.HeartRate = ptr(c.bpm)
		if diff := cmp.Diff(c.want, l.Work(&trial)); diff != "" {
			t.Errorf("%+v at %d (-want +got):\n%s", c.who, c.bpm, diff)
		}
	}
}

// TestBodyMassCeiling: 60 % of the body mass (Mayer et al., Spine 1988;13(9):993-997, via a handbook: 55 to 60 %), at it and just above, with the
// body mass and the load in either unit. 75 lb x 0.6 = 45 lb = 20.41165665 kg; 70 kg x 0.6 = 42 kg.
func TestBodyMassCeiling(t *testing.T) {
	for _, c := range []struct {
		body     string
		bodyUnit mass.Unit
		load     string
		unit     mass.Unit
		want     []record.GuardHit
	}{
		{"75", mass.Pound, "45", mass.Pound, nil},
		{"75", mass.Pound, "20.41165665", mass.Kilogram, nil},
		{"34.01942775", mass.Kilogram, "45", mass.Pound, nil},
		{"75", mass.Pound, "45.001", mass.Pound, hit(record.GuardLoadCeiling, "45.001 lb", "45 lb (60 % of body mass)", false, true)},
		{"34.01942775", mass.Kilogram, "45.001", mass.Pound, hit(record.GuardLoadCeiling, "45.001 lb", "45 lb (60 % of body mass)", false, true)},
		{"75", mass.Pound, "20.41165665001", mass.Kilogram, hit(record.GuardLoadCeiling, "20.41165665001 kg", "45 lb (60 % of body mass)", false, true)},
		{"70", mass.Kilogram, "42", mass.Kilogram, nil},
		{"70", mass.Kilogram, "42.1", mass.Kilogram, hit(record.GuardLoadCeiling, "42.1 kg", "42 kg (60 % of body mass)", false, true)},
	} {
		p := strict()
		p.LoadCeiling, p.PercentOfBodyMass = nil, 60
		l := guard.LimitsFor(guard.Input{Protocol: &p, Body: measures(t, 0, c.body, c.bodyUnit), Zone: record.Push})
		trial := good()
		trial.Load = parse(t, c.load, c.unit)
		if diff := cmp.Diff(c.want, l.Work(&trial)); diff != "" {
			t.Errorf("%+v (-want +got):\n%s", c, diff)
		}
	}
}

// TestCompressionCeiling: the load at which the model of package body meets the criterion is within, 0.1 kg more is not, and the model says
// the same of both: 3400 N (NIOSH 81-122, 1981; Waters et al. 1993). A push and a pull have no such ceiling.
func TestCompressionCeiling(t *testing.T) {
	who := measures(t, 1750, "80", mass.Kilogram)
	p := strict()
	p.LoadCeiling, p.Compression = nil, &record.CompressionLimit{CriterionNewtons: body.ActionLimit1981}
	for _, zone := range record.Zones() {
		l := guard.LimitsFor(guard.Input{Protocol: &p, Body: who, Zone: zone})
		list := l.Ceilings()
		if zone == record.Push || zone == record.Pull {
			trial := good()
			trial.Load = pounds(500)
			if got := l.Work(&trial); list != nil || got != nil {
				t.Errorf("%s: %v, %v", zone, list, got)
			}
			continue
		}
		if len(list) != 1 || list[0].Load == nil || list[0].Basis != record.CeilingCompression {
			t.Fatalf("%s: %+v", zone, list)
		}
		trial := good()
		trial.Load = *list[0].Load
		if got := l.Work(&trial); got != nil {
			t.Errorf("%s at the ceiling: %v", zone, got)
		}
		at := *list[0].Load
		trial.Load = at.Add(parse(t, "0.1", mass.Kilogram))
		want := hit(record.GuardLoadCeiling, trial.Load.String(), at.String()+" (estimated compression of 3400 N at L5/S1)", false, true)
		if diff := cmp.Diff(want, l.Work(&trial)); diff != "" {
			t.Errorf("%s above (-want +got):\n%s", zone, diff)
		}
		if within, above := highest(t, who, zone, at), highest(t, who, zone, trial.Load); !(within <= 3400 && above > 3400) {
			t.Errorf("%s: %g N at the ceiling, %g N above it", zone, within, above)
		}
	}
}

// highest is the highest estimate over the ends of a zone, 250 mm before the ankles.
func highest(t *testing.T, who *record.BodyMeasures, zone record.Zone, load mass.Mass) float64 {
	t.Helper()
	stature := measure.Length(who.StatureMM) * measure.PerMillimetre
	s, err := body.StationsFor(stature)
	if err != nil {
		t.Fatal(err)
	}
	newtons := 0.0
	for _, height := range map[record.Zone][]measure.Length{
		record.FloorWaist: {s.Floor, s.Waist}, record.WaistShoulder: {s.Waist, s.Shoulder}, record.ShoulderOverhead: {s.Shoulder, s.Overhead},
		record.FloorShoulder: {s.Floor, s.Shoulder}, record.Carry: {s.Waist},
	}[zone] {
		e, err := body.Compression(body.Person{Stature: stature, Mass: *who.Mass}, body.Hands{Height: height, Forward: measure.PerMetre / 4}, load, body.DefaultModel())
		if err != nil {
			t.Fatal(err)
		}
		newtons = max(newtons, e.Compression)
	}
	return newtons
}

// TestCompressionFigures: a protocol's own arm and distance count, and the defaults are 50 mm and 250 mm.
func TestCompressionFigures(t *testing.T) {
	ceiling := func(limit record.CompressionLimit) mass.Mass {
		p := strict()
		p.LoadCeiling, p.Compression = nil, &limit
		l := guard.LimitsFor(guard.Input{Protocol: &p, Body: measures(t, 1750, "176", mass.Pound), Zone: record.Carry})
		return *l.Ceilings()[0].Load
	}
	usual := ceiling(record.CompressionLimit{CriterionNewtons: 3400})
	if same := ceiling(record.CompressionLimit{CriterionNewtons: 3400, MuscleArmMM: 50, ForwardMM: 250}); same != usual {
		t.Errorf("%s by default, %s with 50 mm and 250 mm", usual, same)
	}
	if longer := ceiling(record.CompressionLimit{CriterionNewtons: 3400, MuscleArmMM: 60}); !usual.Less(longer) {
		t.Errorf("%s with an arm of 60 mm, %s with 50 mm", longer, usual)
	}
	if farther := ceiling(record.CompressionLimit{CriterionNewtons: 3400, ForwardMM: 400}); !farther.Less(usual) {
		t.Errorf("%s at 400 mm, %s at 250 mm", farther, usual)
	}
}

// TestCeilings: lowest first, then those that could not be worked out; the lowest is held against, and of equal ones the protocol's own.
func TestCeilings(t *testing.T) {
	own := func(text string, load *mass.Mass) record.LoadCeiling {
		return record.LoadCeiling{Basis: record.CeilingProtocol, Text: text, Load: load}
	}
	share := func(text string, load *mass.Mass) record.LoadCeiling {
		return record.LoadCeiling{Basis: record.CeilingBodyMass, Text: text, Load: load}
	}
	spine := func(text string) record.LoadCeiling {
		return record.LoadCeiling{Basis: record.CeilingCompression, Text: text}
	}
	const ownText, shareText, spineText = "load ceiling of the protocol", "60 % of body mass", "estimated compression of 3400 N at L5/S1"
	for _, c := range []struct {
		name  string
		body  *record.BodyMeasures
		limit string // of a load of 500 lb
		want  []record.LoadCeiling
	}{
		{"nothing measured", nil, "50 lb",
			[]record.LoadCeiling{own(ownText, ptr(pounds(50))), share(shareText+"; missing: body mass", nil), spine(spineText + "; missing: stature, body mass")}},
		{"nothing measured, on an empty record", measures(t, 0, "", ""), "50 lb",
			[]record.LoadCeiling{own(ownText, ptr(pounds(50))), share(shareText+"; missing: body mass", nil), spine(spineText + "; missing: stature, body mass")}},
		{"no body mass", measures(t, 1750, "", ""), "50 lb",
			[]record.LoadCeiling{own(ownText, ptr(pounds(50))), share(shareText+"; missing: body mass", nil), spine(spineText + "; missing: body mass")}},
		{"no stature, a light person", measures(t, 0, "75", mass.Pound), "45 lb (60 % of body mass)",
			[]record.LoadCeiling{share(shareText, ptr(pounds(45))), own(ownText, ptr(pounds(50))), spine(spineText + "; missing: stature")}},
		{"no stature, a heavy person", measures(t, 0, "100", mass.Pound), "50 lb",
			[]record.LoadCeiling{own(ownText, ptr(pounds(50))), share(shareText, ptr(pounds(60))), spine(spineText + "; missing: stature")}},
		{"a hair below the protocol's own", measures(t, 0, "37.79936416666", mass.Kilogram), "22.67961849999 kg (60 % of body mass)", // cut to 1e-11 kg
			[]record.LoadCeiling{share(shareText, ptr(mass.FromUnits(2_267_961_849_999))), own(ownText, ptr(pounds(50))), spine(spineText + "; missing: stature")}},
		{"a body that cannot be", measures(t, 999, "19.9", mass.Kilogram), "50 lb",
			[]record.LoadCeiling{own(ownText, ptr(pounds(50))), share(shareText+"; a body mass is 20 to 350 kg", nil),
				spine(spineText + "; a stature is 1.00 to 2.50 m; a body mass is 20 to 350 kg")}},
		{"a stature beyond all", measures(t, 1<<62, "75", mass.Pound), "45 lb (60 % of body mass)",
			[]record.LoadCeiling{share(shareText, ptr(pounds(45))), own(ownText, ptr(pounds(50))), spine(spineText + "; a stature is 1.00 to 2.50 m")}},
	} {
		p := strict()
		p.PercentOfBodyMass, p.Compression = 60, &record.CompressionLimit{CriterionNewtons: 3400}
		l := guard.LimitsFor(guard.Input{Protocol: &p, Body: c.body, Zone: record.FloorWaist})
		if diff := cmp.Diff(c.want, l.Ceilings(), cmpopts.EquateComparable(mass.Mass{})); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
		trial := good()
		trial.Load = pounds(500)
		if diff := cmp.Diff(hit(record.GuardLoadCeiling, "500 lb", c.limit, false, true), l.Work(&trial)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
		trial.Load = pounds(1)
		if got := l.Work(&trial); got != nil {
			t.Errorf("%s: a ceiling that is not known holds the trial open: %v", c.name, got)
		}
	}
}

// TestEqualAndLowest: of equal ceilings the protocol's own is named; the three stand in the order of their loads.
func TestEqualAndLowest(t *testing.T) {
	p := strict()
	p.LoadCeiling, p.PercentOfBodyMass = ptr(pounds(45)), 60
	l := guard.LimitsFor(guard.Input{Protocol: &p, Body: measures(t, 1750, "75", mass.Pound), Zone: record.FloorWaist})
	trial := good()
	if diff := cmp.Diff(hit(record.GuardLoadCeiling, "50 lb", "45 lb", false, true), l.Work(&trial)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	p.Compression = &record.CompressionLimit{CriterionNewtons: 1000}
	l = guard.LimitsFor(guard.Input{Protocol: &p, Body: measures(t, 1750, "75", mass.Pound), Zone: record.FloorWaist})
	var bases []record.CeilingBasis
	for _, c := range l.Ceilings() {
		bases = append(bases, c.Basis)
	}
	if want := []record.CeilingBasis{record.CeilingCompression, record.CeilingProtocol, record.CeilingBodyMass}; !slices.Equal(bases, want) {
		t.Errorf("%v, want %v", bases, want)
	}
	list := l.Ceilings()
	*list[0].Load = pounds(999)
	if again := l.Ceilings(); *again[0].Load == pounds(999) {
		t.Error("the list shares memory with the limits")
	}
}

// TestFiguresThatCannotBe: a protocol whose figures package body does not take has a ceiling that says so, never one that is made up.
func TestFiguresThatCannotBe(t *testing.T) {
	for _, c := range []struct {
		name  string
		limit record.CompressionLimit
		zone  record.Zone
		text  string
	}{
		{"least criterion", record.CompressionLimit{CriterionNewtons: 1000}, record.Carry, "estimated compression of 1000 N at L5/S1"},
		{"below it", record.CompressionLimit{CriterionNewtons: 999}, record.Carry, "estimated compression of 999 N at L5/S1; the criterion is 1000 to 10000 N"},
		{"shortest arm", record.CompressionLimit{CriterionNewtons: 3400, MuscleArmMM: 30}, record.Carry, "estimated compression of 3400 N at L5/S1"},
		{"shorter", record.CompressionLimit{CriterionNewtons: 3400, MuscleArmMM: 29}, record.Carry, "estimated compression of 3400 N at L5/S1; the muscle's lever arm is 30 to 100 mm"},
		{"nearer than the equation takes", record.CompressionLimit{CriterionNewtons: 3400, ForwardMM: 249}, record.Carry,
			"estimated compression of 3400 N at L5/S1; the hands are 0.25 to 1.00 m before the ankles"},
		{"beyond the arms", record.CompressionLimit{CriterionNewtons: 3400, ForwardMM: 1000}, record.ShoulderOverhead,
			"estimated compression of 3400 N at L5/S1; the arms do not reach that far at an end of the zone"},
		{"a zone that nobody knows", record.CompressionLimit{CriterionNewtons: 3400}, "", "estimated compression of 3400 N at L5/S1; the model is of lifts and carries"},
	} {
		p := strict()
		p.LoadCeiling, p.Compression = nil, &c.limit
		l := guard.LimitsFor(guard.Input{Protocol: &p, Body: measures(t, 1600, "80", mass.Kilogram), Zone: c.zone})
		list := l.Ceilings()
		if len(list) != 1 || list[0].Text != c.text || (list[0].Load == nil) != strings.Contains(c.text, ";") {
			t.Errorf("%s: %+v", c.name, list)
		}
	}
	for percent, text := range map[int]string{
		1: "1 % of body mass", 200: "200 % of body mass",
		201: "201 % of body mass; a share of body mass is 1 to 200 %", -1: "-1 % of body mass; a share of body mass is 1 to 200 %",
	} {
		p := strict()
		p.LoadCeiling, p.PercentOfBodyMass = nil, percent
		l := guard.LimitsFor(guard.Input{Protocol: &p, Body: measures(t, 0, "80", mass.Kilogram)})
		if list := l.Ceilings(); len(list) != 1 || list[0].Text != text || (list[0].Load == nil) != strings.Contains(text, ";") {
			t.Errorf("%d %%: %+v", percent, list)
		}
	}
}

// TestStartHeartRate: above the limit it is told and changes nothing else; at it, not measured or without a limit, nothing is said.
// 85 % of 220 - 40 is 153 (03_hr_max_check_values.csv, S11).
func TestStartHeartRate(t *testing.T) {
	for _, c := range []struct {
		name  string
		limit *record.HeartRateLimit
		age   int
		start *int
		want  []record.GuardHit
	}{
		{"at the limit", &record.HeartRateLimit{BPM: 100}, 0, ptr(100), nil},
		{"above it", &record.HeartRateLimit{BPM: 100}, 0, ptr(101), hit(record.GuardHeartRateStart, "101 bpm", "100 bpm", false, false)},
		{"not measured", &record.HeartRateLimit{BPM: 100}, 0, nil, nil},
		{"at the limit of a formula", &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Fox1971}, 40, ptr(153), nil},
		{"above it", &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Fox1971}, 40, ptr(154), hit(record.GuardHeartRateStart, "154 bpm", "153 bpm", false, false)},
		{"a limit that lacks the age", &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Fox1971}, 0, ptr(154), nil},
		{"no limit", nil, 40, ptr(249), nil},
	} {
		p := strict()
		p.HeartRateStartLimit = c.limit
		l := guard.LimitsFor(guard.Input{Protocol: &p, Person: record.Person{AgeYears: c.age}})
		trial := good()
		trial.StartHeartRate = c.start
		if diff := cmp.Diff(c.want, l.Work(&trial)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
		if l.LimitsStartRate() != (c.limit != nil) {
			t.Errorf("%s: limits the start rate %v", c.name, l.LimitsStartRate())
		}
		wantMissing := heartrate.Missing("")
		if c.age == 0 && c.limit != nil && c.limit.BPM == 0 {
			wantMissing = heartrate.MissingAge
		}
		if got := l.StartRateMissing(); got != wantMissing {
			t.Errorf("%s: missing %q, want %q", c.name, got, wantMissing)
		}
	}
}
