package guard_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/engine/recipe"
	"ponderal.example/internal/record"
)

// kit is an invented kit: its tote and A5 were weighed on the first day of 2026, C12 on the first of 2025, B7 in June 2025.
func kit() *record.Kit {
	return &record.Kit{
		Tote: record.Piece{Code: "TOTE", Mass: pounds(5), VerifiedOn: "2026-01-01"},
		Inserts: []record.Piece{
			{Code: "A5", Mass: pounds(5), VerifiedOn: "2026-01-01"},
			{Code: "C12", Mass: pounds(10), VerifiedOn: "2025-01-01"},
			{Code: "B7", Mass: pounds(10), VerifiedOn: "2025-06-01"},
			{Code: "B6", Mass: pounds(10), VerifiedOn: "2025-06-01"},
		},
	}
}

func at(year int, month time.Month, day, hour int) record.Time {
	return record.TimeOf(time.Date(year, month, day, hour, 59, 59, 0, time.UTC))
}

// TestCalibration: a piece of the load is told on the first day beyond its limit, and not on the last day within it; 2025 and 2026 have 365 days.
func TestCalibration(t *testing.T) {
	for _, c := range []struct {
		name  string
		codes []string
		at    record.Time
		want  string
	}{
		{"365 days, late on that day", []string{"C12"}, at(2026, time.January, 1, 23), ""},
		{"366 days, early on that day", []string{"C12"}, at(2026, time.January, 2, 0), "C12 366 days"},
		{"the same, its place in the recipe does not matter", []string{"A5", "C12"}, at(2026, time.January, 2, 0), "C12 366 days"},
		{"another insert lapsed, not used", []string{"A5"}, at(2026, time.January, 2, 0), ""},
		{"nobody says what the load was made of", nil, at(2026, time.January, 2, 0), ""},
		{"an empty recipe", []string{}, at(2026, time.January, 2, 0), ""},
		{"the tote was weighed only after", []string{"B7"}, at(2025, time.December, 31, 12), "TOTE weighed 1 day after"},
		{"the tote on its day", []string{"B7"}, at(2026, time.January, 1, 0), ""},
		{"all that lapsed, oldest first, then by code", []string{"B7", "B6", "C12", "A5"}, at(2027, time.January, 1, 12), "C12 730 days, B6 579 days, B7 579 days"},
		{"the tote too", []string{"A5"}, at(2027, time.January, 2, 12), "A5 366 days, TOTE 366 days"},
		{"a code that the kit does not have", []string{"Z9"}, at(2026, time.January, 2, 12), ""},
	} {
		p := strict()
		p.Calibration = &record.CalibrationLimit{Days: 365}
		l := guard.LimitsFor(guard.Input{Protocol: &p, Kit: kit()})
		var want []record.GuardHit
		if c.want != "" {
			want = hit(record.GuardCalibration, c.want, "365 days", false, false)
		}
		trial := good()
		trial.At, trial.InsertCodes = c.at, c.codes
		if diff := cmp.Diff(want, l.Work(&trial)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
		slices.Reverse(trial.InsertCodes)
		k := kit()
		slices.Reverse(k.Inserts)
		l = guard.LimitsFor(guard.Input{Protocol: &p, Kit: k})
		if diff := cmp.Diff(want, l.Work(&trial)); diff != "" {
			t.Errorf("%s, in another order (-want +got):\n%s", c.name, diff)
		}
		if l.BlocksCalibration() {
			t.Errorf("%s: blocks", c.name)
		}
	}
}

// TestCalibrationLimits: one day, a protocol that blocks (which the hit does not say), one without a limit, a kit that is not known, a date that
// is none.
func TestCalibrationLimits(t *testing.T) {
	bad := kit()
	bad.Inserts[0].VerifiedOn = "2026-02-30"
	for _, c := range []struct {
		name   string
		limit  *record.CalibrationLimit
		kit    *record.Kit
		want   []record.GuardHit
		blocks bool
	}{
		{"two days", &record.CalibrationLimit{Days: 2}, kit(), nil, false},
		{"one day", &record.CalibrationLimit{Days: 1, Block: true}, kit(), hit(record.GuardCalibration, "A5 2 days, TOTE 2 days", "1 day", false, false), true},
		{"no limit", nil, kit(), nil, false},
		{"kit not known", &record.CalibrationLimit{Days: 1, Block: true}, nil, nil, true},
		{"no date", &record.CalibrationLimit{Days: 36_500}, bad, hit(record.GuardCalibration, "A5 on no known day", "36500 days", false, false), false},
	} {
		p := strict()
		p.Calibration = c.limit
		l := guard.LimitsFor(guard.Input{Protocol: &p, Kit: c.kit})
		trial := good()
		trial.At, trial.InsertCodes = at(2026, time.January, 3, 12), []string{"A5"}
		if diff := cmp.Diff(c.want, l.Work(&trial)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
		if l.BlocksCalibration() != c.blocks {
			t.Errorf("%s: blocks %v", c.name, !c.blocks)
		}
	}
}

// TestCalibrationAgreesWithRecipe: on every day of three years, for every insert, the guard speaks when the check of a kit before use does.
func TestCalibrationAgreesWithRecipe(t *testing.T) {
	p := strict()
	p.Calibration = &record.CalibrationLimit{Days: 200}
	l := guard.LimitsFor(guard.Input{Protocol: &p, Kit: kit()})
	for day := time.Date(2024, time.December, 1, 23, 0, 0, 0, time.UTC); day.Year() < 2028; day = day.AddDate(0, 0, 1) {
		for _, code := range []string{"A5", "C12", "B7"} {
			found, err := recipe.CheckCalibration(*kit(), []string{code}, day.Format(time.DateOnly), recipe.Policy{MaxAgeDays: 200, Action: recipe.Warn})
			if err != nil {
				t.Fatal(err)
			}
			trial := good()
			trial.At, trial.InsertCodes = record.TimeOf(day), []string{code}
			if hits := l.Work(&trial); (len(hits) > 0) != (len(found.Lapses) > 0) {
				t.Fatalf("%s on %s: %v, %v", code, day, hits, found.Lapses)
			}
		}
	}
}

// TestOrderOfHits: everything at once, in the order that Work documents; the new hits stand after those that end or void.
func TestOrderOfHits(t *testing.T) {
	p := strict()
	p.HeartRateStartLimit, p.Calibration, p.RequiresMorePossible = &record.HeartRateLimit{BPM: 100}, &record.CalibrationLimit{Days: 1}, true
	trial := record.Trial{
		Number: 1, At: at(2026, time.January, 9, 9), Load: pounds(51), InsertCodes: []string{"A5"}, Repetitions: 1, HeartRate: ptr(151), Effort: ptr(record.Effort(20)),
		Sustainable: ptr(false), Signs: []record.MechanicsSign{{Sign: record.SignTwist, Grade: 3}}, Symptoms: []record.Symptom{record.SymptomOther}, StartHeartRate: ptr(101),
	}
	names := func(s record.Screening) []string {
		l := guard.LimitsFor(guard.Input{Protocol: &p, Screening: s, Kit: kit()})
		var all []string
		for _, h := range l.Work(&trial) {
			all = append(all, h.Guard)
		}
		return all
	}
	ends := []string{record.GuardSymptom, record.GuardMechanics, record.GuardHeartRateWork, record.GuardEffortStop, record.GuardLoadCeiling, record.GuardAcceptability}
	tells := []string{record.GuardRepetitions, record.GuardHeartRateStart, record.GuardCalibration}
	if diff := cmp.Diff(slices.Concat(ends, tells, []string{record.GuardMissingMeasurement}), names(record.Screening{})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	trial.HeartRate = ptr(150)
	want := slices.Concat(slices.Delete(slices.Clone(ends), 2, 3), tells, []string{record.GuardRateLimitingDrug, record.GuardMissingMeasurement})
	if diff := cmp.Diff(want, names(record.Screening{RateLimitingDrug: true})); diff != "" {
		t.Errorf("under the drug (-want +got):\n%s", diff)
	}
}
