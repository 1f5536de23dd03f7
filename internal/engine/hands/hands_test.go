package hands_test

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/hands"
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

func lb(t testing.TB, value string) mass.Mass { return parse(t, value, mass.Pound) }

func kg(t testing.TB, value string) mass.Mass { return parse(t, value, mass.Kilogram) }

// masses reads "50 lb, 22.5 kg".
func masses(t testing.TB, list string) []mass.Mass {
	t.Helper()
	var out []mass.Mass
	for item := range strings.SplitSeq(list, ", ") {
		value, unit, _ := strings.Cut(item, " ")
		out = append(out, parse(t, value, mass.Unit(unit)))
	}
	return out
}

// run is a series of readings with the handle in the position.
func run(t testing.TB, number int, hand record.Hand, procedure record.HandProcedure, position int, list string) record.HandSeries {
	t.Helper()
	s := record.HandSeries{Number: number, Measure: record.Grip, Hand: hand, Procedure: procedure}
	for i, m := range masses(t, list) {
		s.Trials = append(s.Trials, record.HandTrial{Number: i + 1, Position: position, Reading: m})
	}
	return s
}

func repeated(t testing.TB, number int, hand record.Hand, list string) record.HandSeries {
	t.Helper()
	return run(t, number, hand, record.HandRepeated, 2, list)
}

func readCSV(t *testing.T, name string) []map[string]string {
	t.Helper()
	file, err := os.Open("../../../testdata/reference/" + name)
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
		for i, column := range all[0] {
			row[column] = line[i]
		}
		rows = append(rows, row)
	}
	return rows
}

// TestStrength: the mean of whole numbers rounded down to a tenth of the unit of the first reading, worked by hand; the strongest otherwise.
func TestStrength(t *testing.T) {
	for _, c := range []struct {
		procedure  record.HandProcedure
		list, want string
	}{
		{record.HandRepeated, "50 lb, 52 lb, 54 lb", "52 lb"},
		{record.HandRepeated, "50 lb, 51 lb, 51 lb", "50.6 lb"},            // 50.667
		{record.HandRepeated, "50 lb, 50 lb, 50.3 lb", "50.1 lb"},          // exactly 50.1
		{record.HandRepeated, "50 lb, 50 lb, 50.299 lb", "50 lb"},          // a thousandth of a pound less
		{record.HandRepeated, "22.5 kg, 23 kg, 23 kg", "22.8 kg"},          // 22.833
		{record.HandRepeated, "22.5 kg, 50 lb", "22.5 kg"},                 // 22.590 kg
		{record.HandRepeated, "50 lb, 22.5 kg", "49.8 lb"},                 // 49.802 lb
		{record.HandRepeated, "22.6796185 kg, 52 lb", "51 lb"},             // 50 lb, entered in kilograms
		{record.HandRepeated, "61.3 lb", "61.3 lb"},                        // one reading is its own mean
		{record.HandRepeated, "0.05 kg, 0.1 kg", "0 kg"},                   // below a tenth
		{record.HandFivePositions, "50 lb, 71.123 lb, 60 lb", "71.123 lb"}, // not rounded
		{record.HandRapidExchange, "22.55 kg, 50 lb", "50 lb"},
	} {
		got := hands.Of([]record.HandSeries{run(t, 1, record.RightHand, c.procedure, 2, c.list)}, record.Person{}, nil)
		if len(got) != 1 || got[0].Strength.String() != c.want || got[0].Trials != strings.Count(c.list, ",")+1 || got[0].Norms != nil {
			t.Errorf("%s %s: %+v, want %s", c.procedure, c.list, got, c.want)
		}
	}
}

// TestVariation: 5.0 % of 95, 100, 105 (mean 100, SD 5, by hand); the figure that is recorded beside Bland and Altman's data
// (08_reliability_formulae.json, cv_check: 25.826985 %); and what has none.
func TestVariation(t *testing.T) {
	data := run(t, 1, record.RightHand, record.HandRepeated, 2, "1 kg")
	data.Trials = nil
	for i, row := range readCSV(t, "08_bland_altman_1986_data.csv") {
		tenth := row["large_first"][:2] + "." + row["large_first"][2:]
		data.Trials = append(data.Trials, record.HandTrial{Number: i + 1, Reading: kg(t, tenth)})
	}
	for _, c := range []struct {
		name   string
		series record.HandSeries
		want   string
	}{
		{"by hand", repeated(t, 1, record.RightHand, "95 lb, 100 lb, 105 lb"), "5.0"},
		{"the same in kilograms", repeated(t, 1, record.RightHand, "43.09127515 kg, 45.359237 kg, 47.62719885 kg"), "5.0"},
		{"two readings", repeated(t, 1, record.RightHand, "50 lb, 50 lb"), "0.0"},
		{"seventeen readings", data, "25.8"},
		{"one reading", repeated(t, 1, record.RightHand, "50 lb"), ""},
		{"five positions", run(t, 1, record.RightHand, record.HandFivePositions, 2, "95 lb, 100 lb, 105 lb"), ""},
		{"rapid exchange", run(t, 1, record.RightHand, record.HandRapidExchange, 2, "95 lb, 100 lb, 105 lb"), ""},
	} {
		if got := hands.Of([]record.HandSeries{c.series}, record.Person{}, nil)[0].VariationPercent; got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// band is the first age of "20-24" or "75+".
func band(t *testing.T, text string) int {
	t.Helper()
	from, _, _ := strings.Cut(strings.TrimSuffix(text, "+"), "-")
	n, err := strconv.Atoi(from)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func percentileIn(norms []record.NormStanding, set string) (string, bool) {
	i := slices.IndexFunc(norms, func(n record.NormStanding) bool { return n.Norm == set })
	if i < 0 {
		return "", false
	}
	return norms[i].Percentile, true
}

// both is a right and a left hand of which the right is as strong as asked and the left weaker.
func both(t testing.TB, list string) []record.HandSeries {
	t.Helper()
	return []record.HandSeries{repeated(t, 1, record.RightHand, list), repeated(t, 2, record.LeftHand, "0.1 kg, 0.1 kg, 0.1 kg")}
}

// TestPublishedMeans: each printed mean of 1985 (Mathiowetz et al., S60) and 2016 (Steiber, S61) stands at 50.0 % of its own band.
func TestPublishedMeans(t *testing.T) {
	for _, row := range readCSV(t, "06_grip_norms_us_1985.csv") {
		value := row["mean_lb"] + " lb"
		series := []record.HandSeries{repeated(t, 1, record.Hand(row["hand"]), value+", "+value+", "+value)}
		got := hands.Of(series, record.Person{AgeYears: band(t, row["age"]), Sex: record.Sex(row["sex"])}, nil)[0].Norms
		if p, ok := percentileIn(got, "us_1985"); !ok || p != "50.0" || !strings.Contains(got[0].Source, "1985") {
			t.Errorf("1985 %v: %+v", row, got)
		}
	}
	for set, name := range map[string]string{"germany_2016": "06_grip_norms_de_2016.csv", "germany_2016_by_height": "06_grip_norms_de_2016_by_height.csv"} {
		for _, row := range readCSV(t, name) {
			var body *record.BodyMeasures
			if h := row["height_cm"]; h != "" {
				body = &record.BodyMeasures{StatureMM: 10*band(t, h) + 9}
			}
			value := row["mean_kg"] + " kg"
			got := hands.Of(both(t, value+", "+value), record.Person{AgeYears: band(t, row["age"]), Sex: record.Sex(row["sex"])}, body)[0].Norms
			if p, ok := percentileIn(got, set); !ok || p != "50.0" {
				t.Errorf("%s %v: %+v", set, row, got)
			}
		}
	}
}

// TestPublishedPercentiles: each printed percentile of 2025 (Tomkinson et al., S62) and 2014 (Dodds et al., S63) stands at itself, and beyond the
// outermost the bound says so.
func TestPublishedPercentiles(t *testing.T) {
	for set, name := range map[string]string{"international_2025": "06_grip_norms_international_2025.csv", "britain_2014_men": "06_grip_norms_gb_2014_men.csv"} {
		checked := 0
		for _, row := range readCSV(t, name) {
			person := record.Person{AgeYears: band(t, row["age"]+row["age_exact"]), Sex: record.Sex(row["sex"])}
			for column, value := range row {
				percent, ok := strings.CutPrefix(strings.TrimSuffix(column, "_kg"), "p")
				if _, err := strconv.Atoi(percent); !ok || err != nil {
					continue
				}
				checked++
				got := hands.Of(both(t, value+" kg, 0.1 kg"), person, nil)[0].Norms
				if p, ok := percentileIn(got, set); !ok || p != percent+".0" {
					t.Errorf("%s %v %s: %+v", set, person, column, got)
				}
			}
		}
		if checked < 5*10 {
			t.Errorf("%s: only %d values", set, checked)
		}
	}
	man := record.Person{AgeYears: 42, Sex: record.Male}
	for reading, want := range map[string]string{"32.29 kg": "5.0 below", "32.3 kg": "5.0 ", "65.1 kg": "95.0 ", "65.11 kg": "95.0 above"} {
		got := hands.Of(both(t, reading), man, nil)[0].Norms
		i := slices.IndexFunc(got, func(n record.NormStanding) bool { return n.Norm == "international_2025" })
		if i < 0 || got[i].Percentile+" "+got[i].Bound != want {
			t.Errorf("%s: %+v, want %s", reading, got, want)
		}
	}
}

func sets(s record.HandStrength) string {
	var names []string
	for _, n := range s.Norms {
		names = append(names, n.Norm)
	}
	return strings.Join(names, " ")
}

// TestWhichNorms: each condition, where it holds and where it just does not.
func TestWhichNorms(t *testing.T) {
	const three = "100 lb, 100 lb, 100 lb"
	const best = "germany_2016 germany_2016_by_height international_2025 britain_2014_men"
	man, woman := record.Person{AgeYears: 42, Sex: record.Male}, record.Person{AgeYears: 42, Sex: record.Female}
	body := &record.BodyMeasures{StatureMM: 1780}
	right := repeated(t, 1, record.RightHand, three)
	left := repeated(t, 2, record.LeftHand, "99.999 lb, 99.999 lb, 99.999 lb")
	pinch := repeated(t, 3, record.RightHand, three)
	pinch.Measure = record.KeyPinch
	mixed := repeated(t, 1, record.RightHand, three)
	mixed.Trials[1].Position = 3
	for _, c := range []struct {
		name        string
		series      []record.HandSeries
		person      record.Person
		body        *record.BodyMeasures
		right, left string
	}{
		{"both hands, everything known", []record.HandSeries{right, left}, man, body, "us_1985 " + best, "us_1985"},
		{"equal hands: the first series", []record.HandSeries{right, repeated(t, 2, record.LeftHand, three)}, man, body, "us_1985 " + best, "us_1985"},
		{"the left is stronger", []record.HandSeries{right, repeated(t, 2, record.LeftHand, "99 lb, 100.001 lb")}, man, body, "us_1985", best},
		{"no stature", []record.HandSeries{right, left}, man, nil, "us_1985 germany_2016 international_2025 britain_2014_men", "us_1985"},
		{"stature not measured", []record.HandSeries{right, left}, man, &record.BodyMeasures{}, "us_1985 germany_2016 international_2025 britain_2014_men", "us_1985"},
		{"stature not in the table", []record.HandSeries{right, left}, man, &record.BodyMeasures{StatureMM: 1599}, "us_1985 germany_2016 international_2025 britain_2014_men", "us_1985"},
		{"a woman", []record.HandSeries{right, left}, woman, body, "us_1985 germany_2016 germany_2016_by_height international_2025", "us_1985"},
		{"sex not known", []record.HandSeries{right, left}, record.Person{AgeYears: 42}, body, "", ""},
		{"age not known", []record.HandSeries{right, left}, record.Person{Sex: record.Male}, body, "", ""},
		{"19 years", []record.HandSeries{right, left}, record.Person{AgeYears: 19, Sex: record.Male}, nil, "germany_2016 britain_2014_men", ""},
		{"20 years", []record.HandSeries{right, left}, record.Person{AgeYears: 20, Sex: record.Male}, nil, "us_1985 germany_2016 international_2025 britain_2014_men", "us_1985"},
		{"one hand only", []record.HandSeries{right}, man, body, "us_1985", ""},
		{"the other hand by another procedure", []record.HandSeries{right, run(t, 2, record.LeftHand, record.HandFivePositions, 2, three)}, man, body, "us_1985", ""},
		{"two readings", []record.HandSeries{repeated(t, 1, record.RightHand, "100 lb, 100 lb"), left}, man, nil, "germany_2016 international_2025 britain_2014_men", "us_1985"},
		{"four readings", []record.HandSeries{repeated(t, 1, record.RightHand, three+", 100 lb"), left}, man, nil, "germany_2016 international_2025 britain_2014_men", "us_1985"},
		{"no handle positions", []record.HandSeries{run(t, 1, record.RightHand, record.HandRepeated, 0, three)}, man, nil, "us_1985", ""},
		{"third position", []record.HandSeries{run(t, 1, record.RightHand, record.HandRepeated, 3, three)}, man, nil, "", ""},
		{"one reading in the third position", []record.HandSeries{mixed}, man, nil, "", ""},
		{"pinch", []record.HandSeries{pinch}, man, body, "", ""},
		{"rapid exchange", []record.HandSeries{run(t, 1, record.RightHand, record.HandRapidExchange, 2, three)}, man, body, "", ""},
	} {
		got := map[record.Hand]string{}
		for _, s := range hands.Of(c.series, c.person, c.body) {
			got[s.Hand] += sets(s)
		}
		if got[record.RightHand] != c.right || got[record.LeftHand] != c.left {
			t.Errorf("%s: right %q, left %q; want %q, %q", c.name, got[record.RightHand], got[record.LeftHand], c.right, c.left)
		}
	}
}

// TestFigureOfNorms: one deviation below the printed mean stands at 15.9 % (standard normal table); the mean goes to the norms of 1985 and the
// strongest reading to those of a person's best, each with its source.
func TestFigureOfNorms(t *testing.T) {
	man := record.Person{AgeYears: 42, Sex: record.Male}
	// 1985, right hand, 40 to 44 years: mean 116.8, deviation 20.7 lb. The mean of 95.1, 96.1 and 97.1 is 96.1.
	got := hands.Of([]record.HandSeries{repeated(t, 1, record.RightHand, "95.1 lb, 97.1 lb, 96.1 lb"), repeated(t, 2, record.LeftHand, "80 lb")}, man, nil)[0]
	want := record.NormStanding{Norm: "us_1985", Percentile: "15.9", Source: "Mathiowetz et al., Arch Phys Med Rehabil 1985;66(2):69-74; the mean of three readings of one hand"}
	if len(got.Norms) != 4 || got.Norms[0] != want {
		t.Errorf("%+v", got.Norms)
	}
	// 2016, 40 to 44 years: mean 53.8 kg; the mean of these readings is far below.
	got = hands.Of(both(t, "53.8 kg, 30 kg, 30 kg"), man, nil)[0]
	want = record.NormStanding{Norm: "germany_2016", Percentile: "50.0", Source: "Steiber, PLoS ONE 2016;11(10):e0163917, table S3 (CC BY); the strongest reading of both hands"}
	if len(got.Norms) != 4 || got.Norms[1] != want {
		t.Errorf("%+v", got.Norms)
	}
}

func TestOrderAndEmpty(t *testing.T) {
	if got := hands.Of(nil, record.Person{}, nil); got != nil {
		t.Error(got)
	}
	series := []record.HandSeries{repeated(t, 9, record.LeftHand, "50 lb"), {Number: 1, Measure: record.Grip, Procedure: record.HandRepeated}, repeated(t, 2, record.RightHand, "50 lb")}
	got := hands.Of(series, record.Person{}, nil)
	if len(got) != 2 || got[0].SeriesNumber != 2 || got[1].SeriesNumber != 9 {
		t.Errorf("%+v", got)
	}
	// The unit is that of the reading with the lowest number, wherever it stands.
	mixed := repeated(t, 1, record.RightHand, "50 lb, 22.5 kg")
	slices.Reverse(mixed.Trials)
	if got := hands.Of([]record.HandSeries{mixed}, record.Person{}, nil)[0].Strength; got != lb(t, "49.8") {
		t.Error(got)
	}
	if mixed.Trials[0].Number != 2 {
		t.Error("the input was changed")
	}
}

func TestSymptom(t *testing.T) {
	series := []record.HandSeries{repeated(t, 3, record.RightHand, "50 lb, 50 lb"), repeated(t, 2, record.RightHand, "50 lb"), repeated(t, 1, record.LeftHand, "50 lb")}
	if n, ok := hands.Symptom(series); ok {
		t.Error(n)
	}
	series[0].Trials[1].Symptoms = []record.Symptom{record.SymptomNumbnessOrWeakness}
	if n, ok := hands.Symptom(series); !ok || n != 3 {
		t.Error(n, ok)
	}
	series[1].Trials[0].Symptoms = []record.Symptom{record.SymptomOther}
	if n, ok := hands.Symptom(series); !ok || n != 2 {
		t.Error(n, ok)
	}
}

func strength(number int, measure record.HandMeasure, hand record.Hand, procedure record.HandProcedure, m mass.Mass) record.HandStrength {
	return record.HandStrength{SeriesNumber: number, Measure: measure, Hand: hand, Procedure: procedure, Strength: m}
}

func TestMatch(t *testing.T) {
	force := lb(t, "50")
	found := []record.HandStrength{
		strength(4, record.Grip, record.RightHand, record.HandRepeated, lb(t, "50")),
		strength(3, record.Grip, record.RightHand, record.HandRepeated, lb(t, "50")),
		strength(1, record.Grip, record.RightHand, record.HandRepeated, lb(t, "60")),
		strength(2, record.Grip, record.RightHand, record.HandRapidExchange, lb(t, "20")),
		strength(5, record.Grip, record.LeftHand, record.HandRepeated, lb(t, "49.9")),
		strength(6, record.KeyPinch, record.LeftHand, record.HandFivePositions, lb(t, "90")),
	}
	fifty, weaker, by := lb(t, "50"), lb(t, "49.9"), lb(t, "0.1")
	want := []record.HandMatch{
		{Name: "Pinch", Measure: record.KeyPinch, Hand: record.LeftHand, Demand: force, Verdict: record.TaskNotTested},
		{Name: "Hold", Measure: record.Grip, Hand: record.RightHand, Demand: force, Strength: &fifty, Verdict: record.TaskWithin, SeriesNumber: 3},
		{Name: "Hold", Measure: record.Grip, Hand: record.LeftHand, Demand: force, Strength: &weaker, Verdict: record.TaskShort, ShortBy: &by, SeriesNumber: 5},
		{Name: "Left", Measure: record.Grip, Hand: record.LeftHand, Demand: weaker, Strength: &weaker, Verdict: record.TaskWithin, SeriesNumber: 5},
	}
	got := hands.Match([]record.HandDemand{
		{Name: "Pinch", Measure: record.KeyPinch, Hand: record.LeftHand, Force: force}, {Name: "Hold", Measure: record.Grip, Force: force},
		{Name: "Left", Measure: record.Grip, Hand: record.LeftHand, Force: weaker},
	}, found)
	if diff := cmp.Diff(want, got, cmp.Comparer(func(a, b mass.Mass) bool { return a == b })); diff != "" {
		t.Error(diff)
	}
	*got[1].Strength = mass.Zero()
	if found[1].Strength != fifty {
		t.Error("a match shares memory with what was found")
	}
	if got := hands.Match(nil, found); got != nil {
		t.Error(got)
	}
}

// normalTail checks the table value that TestFigureOfNorms uses: the share below one deviation under the mean.
func TestNormalTail(t *testing.T) {
	if p := 50 * math.Erfc(1/math.Sqrt2); math.Abs(p-15.8655) > 5e-5 {
		t.Error(p)
	}
}
