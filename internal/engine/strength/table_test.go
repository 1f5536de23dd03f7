package strength_test

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ponderal.example/internal/engine/strength"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func reference(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "testdata", "reference", name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// rows reads a published table as maps from column to cell.
func rows(t *testing.T, name string) []map[string]string {
	t.Helper()
	all, err := csv.NewReader(strings.NewReader(reference(t, name))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, column := range all[0] {
			row[column] = cells[i]
		}
		out = append(out, row)
	}
	return out
}

func lb(t testing.TB, value string) mass.Mass {
	t.Helper()
	m, err := mass.Parse(value, mass.Pound)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

var thousandth = mass.FromUnits(45_359_237)

// TestPublishedBounds holds every numeric cell of DOT Appendix C (02_dot_strength_levels.csv, S05 via S06) against both directions: a capacity
// exactly on an upper bound reaches the level, a thousandth of a pound less does not; a load exactly on it demands no more than
// the level, a thousandth more does.
func TestPublishedBounds(t *testing.T) {
	levels := record.Levels()
	checked := 0
	for _, row := range rows(t, "02_dot_strength_levels.csv") {
		level := record.Level(row["level"])
		for _, pace := range record.Paces() {
			cell := row[string(pace)+"_lb_max"]
			if cell == "" || cell == "negligible" {
				continue
			}
			checked++
			bound := lb(t, cell)
			if got := strength.Reached(pace, bound); got != level {
				t.Errorf("%s lb %s reaches %s, want %s", cell, pace, got, level)
			}
			under := levels[strength.Rank(level)-2]
			if got := strength.Reached(pace, bound.Sub(thousandth)); got != under {
				t.Errorf("just below %s lb %s reaches %s, want %s", cell, pace, got, under)
			}
			if got := strength.Demanded(pace, bound); got != level {
				t.Errorf("%s lb %s demands %s, want %s", cell, pace, got, level)
			}
			over := levels[strength.Rank(level)]
			if got := strength.Demanded(pace, bound.Add(thousandth)); got != over {
				t.Errorf("just above %s lb %s demands %s, want %s", cell, pace, got, over)
			}
		}
	}
	if checked != 9 {
		t.Errorf("checked %d published bounds, want 9", checked)
	}
}

// TestVeryHeavyIsInExcess: the lower bounds of very heavy in the same table are exceeded, not reached.
func TestVeryHeavyIsInExcess(t *testing.T) {
	for _, row := range rows(t, "02_dot_strength_levels.csv") {
		if row["level"] != string(record.VeryHeavy) {
			continue
		}
		for _, pace := range record.Paces() {
			bound := lb(t, row[string(pace)+"_lb_min"])
			if got := strength.Reached(pace, bound); got != record.Heavy {
				t.Errorf("%s %s reaches %s, want heavy", bound, pace, got)
			}
			if got := strength.Reached(pace, bound.Add(thousandth)); got != record.VeryHeavy {
				t.Errorf("more than %s %s reaches %s, want very heavy", bound, pace, got)
			}
		}
	}
}

// TestNegligible: the cells that the table calls negligible bind no person, and any load at all exceeds them as a demand.
func TestNegligible(t *testing.T) {
	for _, c := range []struct {
		pace     record.Pace
		reached  record.Level
		demanded record.Level
	}{
		{record.Frequent, record.Sedentary, record.Light},
		{record.Constant, record.Light, record.Medium},
	} {
		if got := strength.Reached(c.pace, thousandth); got != c.reached {
			t.Errorf("a thousandth of a pound %s reaches %s, want %s", c.pace, got, c.reached)
		}
		if got := strength.Demanded(c.pace, thousandth); got != c.demanded {
			t.Errorf("a thousandth of a pound %s demands %s, want %s", c.pace, got, c.demanded)
		}
	}
	if got := strength.Demanded(record.Frequent, mass.Zero()); got != record.Sedentary {
		t.Errorf("no load demands %s, want sedentary", got)
	}
}

// TestSocialSecurityScheme: the regulation (02_ssa_exertional_levels.csv, 20 CFR 404.1567, S07) shares the table's numbers up to heavy and differs
// at exactly 50 lb frequent, which it calls very heavy ("50 or more") and the table heavy (02_strength_scheme_differences.json, D2). The
// engine follows the table.
func TestSocialSecurityScheme(t *testing.T) {
	for _, row := range rows(t, "02_ssa_exertional_levels.csv") {
		level := record.Level(row["level"])
		if level == record.VeryHeavy {
			if row["frequent_lb"] != "50 or more" {
				t.Fatalf("very heavy frequent is %q", row["frequent_lb"])
			}
			if got := strength.Demanded(record.Frequent, lb(t, "50")); got != record.Heavy {
				t.Errorf("50 lb frequent demands %s, want heavy", got)
			}
			continue
		}
		if got := strength.Demanded(record.Occasional, lb(t, row["max_at_a_time_lb"])); got != level {
			t.Errorf("%s lb at a time demands %s, want %s", row["max_at_a_time_lb"], got, level)
		}
		if often, ok := strings.CutPrefix(row["frequent_lb"], "up to "); ok {
			if got := strength.Demanded(record.Frequent, lb(t, often)); got != level {
				t.Errorf("%s lb frequent demands %s, want %s", often, got, level)
			}
		}
	}
}

// TestSchemeDifferences: the differences that the engine takes a side in (02_strength_scheme_differences.json).
func TestSchemeDifferences(t *testing.T) {
	var ref struct {
		Items []struct{ ID, Fact string } `json:"items"`
	}
	if err := json.Unmarshal([]byte(reference(t, "02_strength_scheme_differences.json")), &ref); err != nil {
		t.Fatal(err)
	}
	sides := map[string]func() (got, want record.Level){
		// The table has a constant column.
		"D1": func() (got, want record.Level) {
			return strength.Demanded(record.Constant, lb(t, "15")), record.Heavy
		},
		"D2": func() (got, want record.Level) { return strength.Demanded(record.Frequent, lb(t, "50")), record.Heavy },
		// A shared end point belongs to the lower level.
		"D3": func() (got, want record.Level) {
			return strength.Demanded(record.Occasional, lb(t, "20")), record.Light
		},
		// 26 lb occasional is medium, but so is 21 lb: the table's band begins right above 20.
		"D6": func() (got, want record.Level) {
			return strength.Demanded(record.Occasional, lb(t, "20.001")), record.Medium
		},
		// Heavy constant is 10 to 20 lb, not in excess of 20.
		"D7": func() (got, want record.Level) { return strength.Reached(record.Constant, lb(t, "20")), record.Heavy },
	}
	for _, item := range ref.Items {
		if side, ok := sides[item.ID]; ok {
			if got, want := side(); got != want {
				t.Errorf("%s (%s): %s, want %s", item.ID, item.Fact, got, want)
			}
			delete(sides, item.ID)
		}
	}
	for id := range sides {
		t.Errorf("no difference %s in the reference", id)
	}
}

// TestMoreNeverLowers: a heavier load never demands less, a higher capacity never reaches less, and whoever has exactly the load
// that a job asks never reaches more than the job demands.
func TestMoreNeverLowers(t *testing.T) {
	for _, pace := range record.Paces() {
		demanded, reached := record.NoLevel, record.NoLevel
		for n := int64(1); n <= 120_000; n += 7 {
			m := mass.FromUnits(n * 45_359_237)
			d, r := strength.Demanded(pace, m), strength.Reached(pace, m)
			if strength.Rank(d) < strength.Rank(demanded) || strength.Rank(r) < strength.Rank(reached) || strength.Rank(r) > strength.Rank(d) {
				t.Fatalf("%s %s: demands %s after %s, reaches %s after %s", m, pace, d, demanded, r, reached)
			}
			demanded, reached = d, r
		}
		if demanded != record.VeryHeavy || reached != record.VeryHeavy {
			t.Errorf("%s: 120 lb demands %s and reaches %s", pace, demanded, reached)
		}
	}
}

func TestUnknownPace(t *testing.T) {
	if got := strength.Reached("hourly", lb(t, "50")); got != record.NoLevel {
		t.Errorf("reaches %q", got)
	}
	if got := strength.Demanded("hourly", lb(t, "50")); got != record.NoLevel {
		t.Errorf("demands %q", got)
	}
}

func TestOfJob(t *testing.T) {
	job := &record.JobProfile{}
	if got := strength.OfJob(job); got != record.NoLevel {
		t.Errorf("a job without tasks demands %q", got)
	}
	add := func(pace record.Pace, load string, want record.Level) {
		job.Tasks = append(job.Tasks, record.JobTask{Zone: record.FloorWaist, Pace: pace, Load: lb(t, load)})
		if got := strength.OfJob(job); got != want {
			t.Errorf("%d tasks demand %s, want %s", len(job.Tasks), got, want)
		}
	}
	add(record.Occasional, "20", record.Light)
	add(record.Frequent, "10", record.Light)
	add(record.Constant, "10", record.Medium)
	add(record.Occasional, "15", record.Medium)
	add(record.Frequent, "25.001", record.Heavy)
	add(record.Occasional, "100.001", record.VeryHeavy)
}
