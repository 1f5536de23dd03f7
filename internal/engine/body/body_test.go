package body

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

const reference = "../../../testdata/reference/"

func readCSV(t *testing.T, name string) []map[string]string {
	t.Helper()
	file, err := os.Open(reference + name)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	all, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, line := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			row[name] = line[i]
		}
		rows = append(rows, row)
	}
	return rows
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func rules(err error) []string {
	var e *fault.Error
	if !errors.As(err, &e) {
		return nil
	}
	var out []string
	for _, v := range e.Violations {
		out = append(out, v.Field+" "+v.Rule)
	}
	return out
}

func kg(t testing.TB, value string) mass.Mass {
	t.Helper()
	m, err := mass.Parse(value, mass.Kilogram)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

const tall = 175 * measure.PerCentimetre

// TestHeights: landmarks and lengths as shares of stature, and the heights computed for 175 cm (S80 via S81 figure 4.1).
func TestHeights(t *testing.T) {
	spelled := map[string]Landmark{"hip (trochanter)": Hip}
	lengths := map[string]float64{"upper arm": upperArm, "forearm": forearm, "hand": hand, "shoulder to hip (trunk)": trunk}
	seen := 0
	for _, row := range readCSV(t, "07_body_proportions.csv") {
		name, want := row["landmark_or_segment"], number(t, row["fraction_of_stature"])
		if row["kind"] == "length" {
			if got, used := lengths[name]; used && got/1000 != want {
				t.Errorf("%s = %v, want %v", name, got/1000, want)
			}
			continue
		}
		if row["kind"] != "height" {
			continue
		}
		landmark, ok := spelled[name]
		if !ok {
			landmark = Landmark(name)
		}
		got, err := Height(landmark, tall)
		if err != nil || math.Abs(got.In(measure.Metre)-want*1.75) > 1e-7 || math.Abs(got.In(measure.Centimetre)-number(t, row["computed_cm_for_175cm"])) > 0.0501 {
			t.Errorf("%s = %v, %v, want %v of 1.75 m", name, got, err, want)
		}
		seen++
	}
	if seen != len(Landmarks()) || seen != len(heights) {
		t.Errorf("%d landmarks in the table, %d here", seen, len(Landmarks()))
	}
	if math.Abs(gripPoint-hand*0.506) > 0.5 {
		t.Errorf("grip point %d, want 0.506 of the hand", gripPoint)
	}
}

// TestSegments: masses and centres (S81 table 4.1 after S82); the parts of a body add up to it.
func TestSegments(t *testing.T) {
	rows := readCSV(t, "07_segment_mass_and_com.csv")
	if len(rows) != len(Segments()) {
		t.Fatalf("%d segments, want %d", len(Segments()), len(rows))
	}
	mass := map[string]float64{}
	for i, s := range Segments() {
		if s.Name != rows[i]["segment"] || s.MassFraction != number(t, rows[i]["mass_fraction"]) || s.COMFromProximal != number(t, rows[i]["com_from_proximal"]) {
			t.Errorf("segment %+v, want %v", s, rows[i])
		}
		mass[s.Name] = s.MassFraction
	}
	for name, parts := range map[string][]string{
		"total arm": {"upper arm", "forearm", "hand"}, "forearm and hand": {"forearm", "hand"}, "total leg": {"thigh", "leg (shank)", "foot"},
		"trunk": {"thorax", "abdomen", "pelvis"}, "trunk head neck": {"trunk", "head and neck"}, "head arms trunk": {"trunk head neck", "total arm", "total arm"},
		"abdomen and pelvis": {"abdomen", "pelvis"}, "thorax and abdomen": {"thorax", "abdomen"}, "foot and leg": {"foot", "leg (shank)"},
	} {
		sum := 0.0
		for _, p := range parts {
			sum += mass[p]
		}
		if math.Abs(sum-mass[name]) > 1e-9 {
			t.Errorf("%s: parts add to %v, not %v", name, sum, mass[name])
		}
	}
	if whole := mass["head arms trunk"] + 2*mass["total leg"]; math.Abs(whole-1) > 1e-9 {
		t.Errorf("the body adds to %v", whole)
	}
	if trunkHeadNeck != mass["trunk head neck"] || pelvis != mass["pelvis"] || arms != 2*mass["total arm"] || math.Abs(pelvisCOM-number(t, rows[13]["com_from_distal"])) > 1e-12 {
		t.Error("the model's figures are not the table's")
	}
	if math.Abs(upperTrunk-mass["thorax and abdomen"]-mass["head and neck"]) > 1e-9 {
		t.Errorf("above the joint %v", upperTrunk)
	}
}

// TestSegmentsAgainstCadavers: the same shares from the 1955 masses, which add to 96.3 % of the body (S82), within 0.008.
func TestSegmentsAgainstCadavers(t *testing.T) {
	raw, sum := map[string]float64{}, 0.0
	single := map[string]bool{"chest": true, "abdomen and pelvis": true, "head and neck": true}
	for _, row := range readCSV(t, "07_segment_mass_cadaver_1955.csv") {
		p := number(t, row["percent_body_mass_original"])
		raw[row["segment"]] = p
		sum += p
		if !single[row["segment"]] {
			sum += p
		}
	}
	if math.Abs(sum-96.3) > 1e-9 {
		t.Fatalf("cadaver masses add to %v", sum)
	}
	raw["thorax"] = raw["chest"] + 2*raw["shoulder"]
	raw["leg (shank)"] = raw["leg"]
	compared := 0
	for _, s := range Segments() {
		if p, ok := raw[s.Name]; ok {
			compared++
			if math.Abs(p/sum-s.MassFraction) > 0.008 {
				t.Errorf("%s: %v of the cadaver, %v in the table", s.Name, p/sum, s.MassFraction)
			}
		}
	}
	if compared != 9 {
		t.Errorf("compared %d segments", compared)
	}
}

// TestParallelAxis: the two printed radii that break the theorem are those named in the package comment, and no other.
func TestParallelAxis(t *testing.T) {
	var broken []string
	for _, row := range readCSV(t, "07_segment_mass_and_com.csv") {
		if row["rog_proximal"] == "" {
			continue
		}
		want := math.Hypot(number(t, row["rog_com"]), number(t, row["com_from_proximal"]))
		if math.Abs(want-number(t, row["rog_proximal"])) > 2e-3 {
			broken = append(broken, row["segment"])
		}
	}
	if !slices.Equal(broken, []string{"total leg", "head and neck"}) {
		t.Errorf("broken: %v", broken)
	}
}

type spine struct {
	Criteria []struct {
		Name string
		N    float64 `json:"quoted_as_N"`
		KN   float64 `json:"value_kN"`
	}
	Examples []struct {
		Inputs            map[string]float64
		Printed, Computed map[string]float64
	} `json:"worked_examples"`
}

func readSpine(t *testing.T) spine {
	t.Helper()
	data, err := os.ReadFile(reference + "07_spine_compression.json")
	if err != nil {
		t.Fatal(err)
	}
	var s spine
	if err := json.Unmarshal(data, &s); err != nil {
		t.Fatal(err)
	}
	return s
}

func significant(x float64) string { return strconv.FormatFloat(x, 'e', 2, 64) }

// TestWorkedExamples: lifting with the back, and the forearm that holds a book (S85, OpenStax College Physics 2e section 9.6), to 3
// significant figures as printed and closer as computed.
func TestWorkedExamples(t *testing.T) {
	examples := readSpine(t).Examples
	back := examples[0]
	in := back.Inputs
	angle := in["angle_deg"] * math.Pi / 180
	f, err := Balance{BodyMass: in["m_upper_body_kg"], LoadMass: in["m_box_kg"], BodyArm: in["d_upper_body_m"], LoadArm: in["d_box_m"],
		MuscleArm: in["d_muscle_m"], MuscleSin: math.Sin(angle), MuscleCos: math.Cos(angle), Gravity: in["g"]}.Solve()
	if err != nil {
		t.Fatal(err)
	}
	for name, got := range map[string]float64{"F_back_muscle_N": f.Muscle, "F_vertebra_y_N": f.Vertical, "F_vertebra_x_N": f.Horizontal, "F_vertebra_N": f.Resultant,
		"direction_deg": math.Atan2(f.Vertical, f.Horizontal) * 180 / math.Pi} {
		if significant(got) != significant(back.Printed[name]) || math.Abs(got/back.Computed[name]-1) > 1e-5 {
			t.Errorf("%s = %v, printed %v", name, got, back.Printed[name])
		}
	}
	if math.Abs(math.Hypot(f.Compression, f.Shear)-f.Resultant) > 1e-9*f.Resultant {
		t.Errorf("compression %v and shear %v do not make %v", f.Compression, f.Shear, f.Resultant)
	}
	in = examples[1].Inputs
	f, err = Balance{BodyMass: in["m_forearm_kg"], LoadMass: in["m_book_kg"], BodyArm: in["r_forearm_m"], LoadArm: in["r_book_m"], MuscleArm: in["r_muscle_m"],
		MuscleSin: -1, Gravity: in["g"]}.Solve()
	if err != nil || significant(f.Muscle) != significant(examples[1].Printed["F_biceps_N"]) || significant(f.Resultant) != significant(examples[1].Printed["F_elbow_N"]) {
		t.Errorf("forearm: %+v, %v, printed %v", f, err, examples[1].Printed)
	}
}

// TestCriteria: S83 as quoted, and S02.
func TestCriteria(t *testing.T) {
	c := readSpine(t).Criteria
	if c[0].N != ActionLimit1981 || c[1].N != MaximumPermissible1981 || c[2].KN*1000 != ActionLimit1981 {
		t.Errorf("criteria %+v", c)
	}
}

// TestPosture: wherever the trunk bends, the arms just reach, and with a little less bending they would not.
func TestPosture(t *testing.T) {
	const s = 1.75
	reach := armReach * s
	bent, upright, crouched := 0, 0, 0
	for h := 0.0; h <= 2.1; h += 0.05 {
		for x := 0.25; x <= 0.9; x += 0.05 {
			p, ok := postureOf(tall, Hands{measure.Length(h * 1e7), measure.Length(x * 1e7)})
			if !ok {
				continue
			}
			distance := func(angle, hip float64) float64 {
				return math.Hypot(x-0.288*s*math.Sin(angle), h-hip-0.288*s*math.Cos(angle))
			}
			angle := math.Atan2(p.TrunkSin, p.TrunkCos)
			switch {
			case p.TrunkSin == 0:
				upright++
				if distance(0, p.HipHeight) > reach+1e-6 {
					t.Errorf("upright at %v %v does not reach", h, x)
				}
				continue
			case p.TrunkCos == 0:
				crouched++
				if p.HipHeight > 0.53*s || distance(angle, 0.53*s) < reach-1e-6 {
					t.Errorf("crouches at %v %v without need", h, x)
				}
			default:
				bent++
				if distance(angle-1e-3, p.HipHeight) < reach {
					t.Errorf("bends more than needed at %v %v", h, x)
				}
			}
			if math.Abs(distance(angle, p.HipHeight)-reach) > 1e-6 {
				t.Errorf("at %v %v the arms are %v from the hands, not %v", h, x, distance(angle, p.HipHeight), reach)
			}
		}
	}
	if bent < 20 || upright < 20 || crouched < 5 {
		t.Errorf("%d bent, %d upright, %d crouched", bent, upright, crouched)
	}
}

// TestCompressionByHand: upright at 175 cm and 75 kg with 10 kg held 0.30 m before the ankles at hip height. The trunk adds no moment; the arms'
// 7.5 kg lie at 0.176/0.387 of 0.30 m. So the muscle has (7.5 x 0.13636 + 10 x 0.30) x 9.80665 / 0.05 = 789.0 N, and the weight of 50.2 kg adds
// 492.3 N.
func TestCompressionByHand(t *testing.T) {
	e, err := Compression(Person{tall, kg(t, "75")}, Hands{share(tall, 530), 30 * measure.PerCentimetre}, kg(t, "10"), DefaultModel())
	if err != nil || e.TrunkSin != 0 {
		t.Fatalf("%+v, %v", e, err)
	}
	arm := 0.30 * 0.530 * 332 / 387
	muscle := (7.5*arm + 10*0.30) * 9.80665 / 0.05
	if math.Abs(e.Muscle-muscle) > 1e-6 || math.Abs(e.Compression-muscle-50.2*9.80665) > 1e-6 || e.Shear != 0 {
		t.Errorf("muscle %v, want %v; compression %v", e.Muscle, muscle, e.Compression)
	}
}

// TestCeiling: the load meets the criterion and 0.1 kg more exceeds it, in every zone that the model has.
func TestCeiling(t *testing.T) {
	p, m := Person{tall, kg(t, "75")}, DefaultModel()
	tenth := mass.FromUnits(unitsPerKilogram / 10)
	for _, zone := range record.Zones() {
		c, err := CompressionCeiling(p, zone, 30*measure.PerCentimetre, m)
		if zone == record.Push || zone == record.Pull {
			if !slices.Equal(rules(err), []string{"zone " + RuleZone}) {
				t.Errorf("%s: %v", zone, rules(err))
			}
			continue
		}
		if err != nil || c.Load.IsZero() {
			t.Fatalf("%s: %+v, %v", zone, c, err)
		}
		over, err := Compression(p, c.At, c.Load.Add(tenth), m)
		if err != nil || c.AtCeiling.Compression > 3400+1e-6 || over.Compression <= 3400 {
			t.Errorf("%s: %v N at %v, %v N above", zone, c.AtCeiling.Compression, c.Load, over.Compression)
		}
		higher := m
		higher.CriterionNewtons = MaximumPermissible1981
		if more, err := CompressionCeiling(p, zone, 30*measure.PerCentimetre, higher); err != nil || !c.Load.Less(more.Load) {
			t.Errorf("%s: %v at 3400 N, %v at 6400 N", zone, c.Load, more.Load)
		}
	}
	floor, _ := CompressionCeiling(p, record.FloorWaist, 30*measure.PerCentimetre, m)
	waist, _ := CompressionCeiling(p, record.Carry, 30*measure.PerCentimetre, m)
	if !floor.Load.Less(waist.Load) || floor.At.Height != floorGrip {
		t.Errorf("floor %v at %v, waist %v", floor.Load, floor.At, waist.Load)
	}
	// A heavy body meets a low criterion without a load: nothing is left.
	none, err := CompressionCeiling(Person{tall, kg(t, "200")}, record.FloorWaist, 30*measure.PerCentimetre, Model{50, 1000})
	if err != nil || !none.Load.IsZero() || none.Empty.Compression < 1000 {
		t.Errorf("%+v, %v", none, err)
	}
}

func TestStations(t *testing.T) {
	got, err := StationsFor(tall)
	want := Stations{Floor: 1_500_000, Waist: 9_275_000, Shoulder: 14_315_000, Overhead: 17_500_000, HighestGrip: 21_087_500}
	if err != nil || got != want {
		t.Errorf("%+v, %v, want %+v", got, err, want)
	}
}

// TestFractionCeiling: 55 and 60 % of 80 kg (the end point of the 1988 protocol, S30 via S32) are 44 and 48 kg.
func TestFractionCeiling(t *testing.T) {
	for percent, want := range map[int]string{55: "44", 60: "48", 1: "0.8", 200: "160"} {
		if got, err := FractionCeiling(kg(t, "80"), percent); err != nil || got != kg(t, want) {
			t.Errorf("%d %%: %v, %v", percent, got, err)
		}
	}
	for _, percent := range []int{0, 201} {
		if _, err := FractionCeiling(kg(t, "80"), percent); !slices.Equal(rules(err), []string{"percent " + RulePercent}) {
			t.Errorf("%d %%: %v", percent, rules(err))
		}
	}
}

func TestRules(t *testing.T) {
	good := Person{tall, kg(t, "75")}
	hands := Hands{measure.PerMetre, 30 * measure.PerCentimetre}
	model := DefaultModel()
	for _, c := range []struct {
		p    Person
		h    Hands
		load string
		m    Model
		want string
	}{
		{good, hands, "1000", model, ""},
		{good, hands, "0", model, ""},
		{Person{measure.PerMetre, kg(t, "20")}, Hands{9 * measure.PerMetre / 10, measure.PerMetre / 4}, "0", model, ""},
		{Person{5 * measure.PerMetre / 2, kg(t, "350")}, hands, "0", model, ""},
		{Person{measure.PerMetre - 1, kg(t, "75")}, hands, "0", model, "stature " + RuleStature},
		{Person{5*measure.PerMetre/2 + 1, kg(t, "75")}, hands, "0", model, "stature " + RuleStature},
		{Person{tall, kg(t, "19.99999999999")}, hands, "0", model, "body_mass " + RuleMass},
		{Person{tall, kg(t, "350.00000000001")}, hands, "0", model, "body_mass " + RuleMass},
		{good, Hands{measure.PerMetre, measure.PerMetre / 4}, "0", model, ""},
		{good, Hands{measure.PerMetre, measure.PerMetre/4 - 1}, "0", model, "hands.forward " + RuleHands},
		{good, Hands{measure.PerMetre, measure.PerMetre + 1}, "0", model, "hands.forward " + RuleHands},
		{good, Hands{-1, 30 * measure.PerCentimetre}, "0", model, "hands.height " + RuleHands},
		{good, Hands{3*measure.PerMetre + 1, 30 * measure.PerCentimetre}, "0", model, "hands.height " + RuleHands},
		{good, Hands{3 * measure.PerMetre, 30 * measure.PerCentimetre}, "0", model, "hands " + RuleReach},
		{good, Hands{0, 30 * measure.PerCentimetre}, "0", model, ""},
		{good, hands, "0", Model{30, 1000}, ""},
		{good, hands, "0", Model{100, 10_000}, ""},
		{good, hands, "0", Model{29, 10_001}, "model.muscle_arm_millimetres " + RuleModel + ",model.criterion_newtons " + RuleModel},
		{good, hands, "0", Model{101, 999}, "model.muscle_arm_millimetres " + RuleModel + ",model.criterion_newtons " + RuleModel},
	} {
		_, err := Compression(c.p, c.h, kg(t, c.load), c.m)
		if got := strings.Join(rules(err), ","); got != c.want || (err == nil) != (c.want == "") {
			t.Errorf("%+v %+v %+v: %q, want %q", c.p, c.h, c.m, got, c.want)
		}
	}
	if _, err := Compression(good, hands, mass.FromUnits(maxLoad+1), model); !slices.Equal(rules(err), []string{"load " + RuleLoad}) {
		t.Error(rules(err))
	}
	if _, err := CompressionCeiling(good, record.ShoulderOverhead, 90*measure.PerCentimetre, model); !slices.Equal(rules(err), []string{"forward " + RuleReach}) {
		t.Error(rules(err))
	}
	if _, err := Height("nose", tall); !slices.Equal(rules(err), []string{"landmark " + RuleUnknown}) {
		t.Error(rules(err))
	}
	b := Balance{BodyMass: 1, MuscleArm: 0.05, MuscleSin: 1, Gravity: 9.8}
	if _, err := b.Solve(); err != nil {
		t.Error(err)
	}
	b.MuscleSin, b.MuscleArm = 0.9, math.NaN()
	if _, err := b.Solve(); len(rules(err)) != 2 {
		t.Error(rules(err))
	}
	// A load behind the joint asks nothing of the muscle, which cannot push.
	b = Balance{BodyMass: 1, LoadMass: 10, LoadArm: -0.1, MuscleArm: 0.05, MuscleSin: 1, Gravity: 9.8}
	if f, err := b.Solve(); err != nil || f.Muscle != 0 {
		t.Errorf("%+v, %v", f, err)
	}
}

func FuzzCompression(f *testing.F) {
	f.Add(int64(tall), int64(75e11), int64(1e6), int64(3e6), int64(1e12), 50, 3400)
	f.Fuzz(func(t *testing.T, stature, body, height, forward, load int64, arm, criterion int) {
		e, err := Compression(Person{measure.Length(stature), mass.FromUnits(body)}, Hands{measure.Length(height), measure.Length(forward)}, mass.FromUnits(load), Model{arm, criterion})
		if err == nil && (!(e.Compression >= 0 && e.Compression < 1e7) || math.Abs(math.Hypot(e.TrunkSin, e.TrunkCos)-1) > 1e-6 || !(e.HipHeight > 0)) {
			t.Fatalf("%+v", e)
		}
	})
}

func FuzzCompressionCeiling(f *testing.F) {
	f.Add(int64(tall), int64(75e11), "floor_waist", int64(3e6), 50, 3400)
	f.Fuzz(func(t *testing.T, stature, body int64, zone string, forward int64, arm, criterion int) {
		c, err := CompressionCeiling(Person{measure.Length(stature), mass.FromUnits(body)}, record.Zone(zone), measure.Length(forward), Model{arm, criterion})
		if err == nil && (c.Load.Less(mass.Zero()) || !c.Load.IsZero() && c.AtCeiling.Compression > float64(criterion)+1e-6) {
			t.Fatalf("%+v", c)
		}
	})
}

func FuzzStations(f *testing.F) {
	f.Add(int64(tall), int64(75e11), 60, "hip", 0.1, 0.9)
	f.Fuzz(func(t *testing.T, stature, body int64, percent int, landmark string, x, y float64) {
		s, err := StationsFor(measure.Length(stature))
		if err == nil && !(s.Floor < s.Waist && s.Waist < s.Shoulder && s.Shoulder < s.Overhead && s.Overhead < s.HighestGrip) {
			t.Fatalf("%+v", s)
		}
		if h, err := Height(Landmark(landmark), measure.Length(stature)); err == nil && (h <= 0 || h >= s.Overhead) {
			t.Fatalf("%s at %v of %v", landmark, h, s.Overhead)
		}
		if m, err := FractionCeiling(mass.FromUnits(body), percent); err == nil && m.Units() <= 0 {
			t.Fatalf("%d %% of %d is %v", percent, body, m)
		}
		if b, err := (Balance{BodyMass: x, LoadMass: y, BodyArm: y, LoadArm: x, MuscleArm: 0.05, MuscleSin: 1, Gravity: 9.8}).Solve(); err == nil && !(b.Resultant >= 0) {
			t.Fatalf("%+v", b)
		}
	})
}

func BenchmarkCompressionCeiling(b *testing.B) {
	p := Person{tall, mass.FromUnits(75e11)}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := CompressionCeiling(p, record.FloorShoulder, 30*measure.PerCentimetre, DefaultModel()); err != nil {
			b.Fatal(err)
		}
	}
}
