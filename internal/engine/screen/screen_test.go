package screen_test

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/screen"
	"ponderal.example/internal/record"
)

func ptr[T any](v T) *T { return &v }

func limiting(rate, systolic, diastolic int) *record.Protocol {
	return &record.Protocol{ScreeningLimits: &record.ScreeningLimits{RestingHeartRate: rate, Systolic: systolic, Diastolic: diastolic}}
}

func fails(measured, limit string) record.GuardHit {
	return record.GuardHit{Guard: record.GuardScreening, Measured: measured, Limit: limit}
}

// published reads the limits of one body, above which it does not test (testdata/reference/03_screening_limits.csv).
func published(t *testing.T, body string) *record.Protocol {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "testdata", "reference", "03_screening_limits.csv"))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	l := &record.ScreeningLimits{}
	for _, row := range rows[1:] {
		if row[0] != body || row[2] != ">" {
			continue
		}
		limit, err := strconv.Atoi(row[3])
		if err != nil {
			t.Fatal(err)
		}
		switch row[1] {
		case "resting heart rate", "resting heart rate after 10 min rest":
			l.RestingHeartRate = limit
		case "resting systolic pressure":
			l.Systolic = limit
		case "resting diastolic pressure":
			l.Diastolic = limit
		}
	}
	if *l == (record.ScreeningLimits{}) {
		t.Fatalf("no limits of %q", body)
	}
	return &record.Protocol{ScreeningLimits: l}
}

// TestPublishedLimits: at the published limits a person is tested, one beat or millimetre above not: NHANES cardiovascular fitness procedures
// manual (S19), 100 bpm, 180 and 100 mmHg; the strictest of it and of the Australian pulmonary rehabilitation toolkit (S21), 120 bpm, 200 and
// 100 mmHg, is the former.
func TestPublishedLimits(t *testing.T) {
	nhanes := published(t, "NHANES cardiovascular fitness procedures manual")
	toolkit := published(t, "Pulmonary rehabilitation toolkit (Australia)")
	for _, c := range []struct {
		name      string
		protocols []*record.Protocol
		s         record.Screening
		want      record.ScreeningFinding
	}{
		{"at every limit", []*record.Protocol{nhanes}, values(100, 180, 100), record.ScreeningFinding{Status: record.ScreeningPassed}},
		{"heart rate above", []*record.Protocol{nhanes}, values(101, 180, 100),
			record.ScreeningFinding{Status: record.ScreeningNotPassed, Guards: []record.GuardHit{fails("resting heart rate 101 bpm", "100 bpm")}}},
		{"systolic above", []*record.Protocol{nhanes}, values(100, 181, 100),
			record.ScreeningFinding{Status: record.ScreeningNotPassed, Guards: []record.GuardHit{fails("systolic pressure 181 mmHg", "180 mmHg")}}},
		{"diastolic above", []*record.Protocol{nhanes}, values(100, 180, 101),
			record.ScreeningFinding{Status: record.ScreeningNotPassed, Guards: []record.GuardHit{fails("diastolic pressure 101 mmHg", "100 mmHg")}}},
		{"the milder limits alone", []*record.Protocol{toolkit}, values(120, 200, 100), record.ScreeningFinding{Status: record.ScreeningPassed}},
		{"both, strictest counts", []*record.Protocol{toolkit, nhanes}, values(120, 200, 100),
			record.ScreeningFinding{Status: record.ScreeningNotPassed, Guards: []record.GuardHit{fails("resting heart rate 120 bpm", "100 bpm"), fails("systolic pressure 200 mmHg", "180 mmHg")}}},
	} {
		if diff := cmp.Diff(c.want, screen.Of(c.s, c.protocols)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
	}
}

func values(rate, systolic, diastolic int) record.Screening {
	return record.Screening{RestingHeartRate: ptr(rate), Systolic: ptr(systolic), Diastolic: ptr(diastolic)}
}

// TestStatus: every status, and what just does not change it.
func TestStatus(t *testing.T) {
	heart, pressure := limiting(100, 0, 0), limiting(0, 150, 90)
	both := []*record.Protocol{heart, pressure, {}, nil}
	overridden := func(s record.Screening) record.Screening {
		s.OverrideReason = "seen by the cardiologist (invented)"
		return s
	}
	flags := record.Screening{Symptoms: []record.Symptom{record.SymptomDizziness, record.SymptomChestPain, record.SymptomDizziness}}
	told := []record.GuardHit{fails("chest pain, dizziness", "none")}
	for _, c := range []struct {
		name      string
		protocols []*record.Protocol
		s         record.Screening
		want      record.ScreeningFinding
	}{
		{"nothing limited, nothing measured", []*record.Protocol{{}, nil}, record.Screening{}, record.ScreeningFinding{Status: record.ScreeningNotLimited}},
		{"no protocols", nil, values(200, 300, 200), record.ScreeningFinding{Status: record.ScreeningNotLimited}},
		{"limits of nothing", []*record.Protocol{limiting(0, 0, 0)}, record.Screening{}, record.ScreeningFinding{Status: record.ScreeningNotLimited}},
		{"a reason where nothing failed", both, overridden(values(100, 150, 90)), record.ScreeningFinding{Status: record.ScreeningPassed}},
		{"what is not limited may be high", []*record.Protocol{heart}, values(100, 300, 200), record.ScreeningFinding{Status: record.ScreeningPassed}},
		{"nothing measured", both, record.Screening{}, record.ScreeningFinding{Status: record.ScreeningIncomplete,
			Missing: []string{"resting heart rate", "systolic pressure", "diastolic pressure"}}},
		{"one measured", both, record.Screening{RestingHeartRate: ptr(100)}, record.ScreeningFinding{Status: record.ScreeningIncomplete,
			Missing: []string{"systolic pressure", "diastolic pressure"}}},
		{"nobody overrides what nobody knows", []*record.Protocol{heart}, overridden(record.Screening{}), record.ScreeningFinding{Status: record.ScreeningIncomplete,
			Missing: []string{"resting heart rate"}}},
		{"failed, and something not measured", both, record.Screening{RestingHeartRate: ptr(101), Systolic: ptr(150)}, record.ScreeningFinding{Status: record.ScreeningNotPassed,
			Guards: []record.GuardHit{fails("resting heart rate 101 bpm", "100 bpm")}, Missing: []string{"diastolic pressure"}}},
		{"overridden", []*record.Protocol{heart}, overridden(record.Screening{RestingHeartRate: ptr(101)}), record.ScreeningFinding{Status: record.ScreeningOverridden,
			Guards: []record.GuardHit{fails("resting heart rate 101 bpm", "100 bpm")}}},
		{"a red flag and no limit", nil, flags, record.ScreeningFinding{Status: record.ScreeningNotPassed, Guards: told}},
		{"a red flag overridden", nil, overridden(flags), record.ScreeningFinding{Status: record.ScreeningOverridden, Guards: told}},
		{"no symptom in the list", nil, record.Screening{Symptoms: []record.Symptom{}}, record.ScreeningFinding{Status: record.ScreeningNotLimited}},
		{"a red flag stands before what was measured", []*record.Protocol{heart}, record.Screening{RestingHeartRate: ptr(101), Symptoms: flags.Symptoms},
			record.ScreeningFinding{Status: record.ScreeningNotPassed, Guards: append(slices.Clone(told), fails("resting heart rate 101 bpm", "100 bpm"))}},
	} {
		if diff := cmp.Diff(c.want, screen.Of(c.s, c.protocols)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
		slices.Reverse(c.protocols)
		slices.Reverse(c.s.Symptoms)
		if diff := cmp.Diff(c.want, screen.Of(c.s, c.protocols)); diff != "" {
			t.Errorf("%s, in another order (-want +got):\n%s", c.name, diff)
		}
	}
}
