package load

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"
)

func TestRowComparesRates(t *testing.T) {
	pushed := timing{wall: 2 * time.Second, each: make([]time.Duration, 100)}
	copied := timing{wall: time.Second, each: make([]time.Duration, 100)}
	row := newRow(16, []slice{{pushed, copied}})
	if row.Push.Rate != 50 || row.Copy.Rate != 100 || row.Ratio != 0.5 || row.MedianRatio != 0.5 {
		t.Errorf("got push %v copy %v ratio %v median %v, want 50, 100, 0.5, 0.5", row.Push.Rate, row.Copy.Rate, row.Ratio, row.MedianRatio)
	}
	disturbed := timing{wall: 96 * time.Second, each: make([]time.Duration, 100)}
	row = newRow(16, []slice{{pushed, copied}, {disturbed, copied}, {pushed, copied}})
	if row.Ratio != 0.03 || row.MedianRatio != 0.5 {
		t.Errorf("one slice of three disturbed: ratio %v median %v, want 0.03 and 0.5", row.Ratio, row.MedianRatio)
	}
	if got := newRow(1, nil); got.Ratio != 0 || got.MedianRatio != 0 {
		t.Errorf("a row without slices: %+v", got)
	}
}

func TestPercentileIsNearestRank(t *testing.T) {
	var tm timing
	for ms := 100; ms >= 1; ms-- {
		tm.each = append(tm.each, time.Duration(ms)*time.Millisecond)
	}
	for p, want := range map[int]float64{50: 50, 95: 95, 99: 99, 100: 100, 0: 1} {
		if got := tm.percentile(p); got != want {
			t.Errorf("percentile %d: got %v, want %v", p, got, want)
		}
	}
}

func TestInParallelDoesEachJobOnceAndStopsAtTheFirstError(t *testing.T) {
	seen := make([]int32, 200)
	got, err := inParallel(t.Context(), time.Now, 8, len(seen), func(_ context.Context, _, i int) error {
		seen[i]++
		return nil
	})
	if err != nil || got.count() != len(seen) {
		t.Fatalf("got %d jobs, error %v; want %d, none", got.count(), err, len(seen))
	}
	for i, n := range seen {
		if n != 1 {
			t.Fatalf("job %d ran %d times, want once", i, n)
		}
	}
	broken := errors.New("broken")
	_, err = inParallel(t.Context(), time.Now, 4, 1000, func(_ context.Context, _, i int) error {
		if i == 10 {
			return broken
		}
		return nil
	})
	if !errors.Is(err, broken) {
		t.Errorf("got %v, want the job's own error", err)
	}
}

func TestReportReadsInBothForms(t *testing.T) {
	r := Report{Sessions: 10, Clinics: 2, Postgres: "Postgres 15, fsync on", Rows: []Row{newRow(1, []slice{{
		timing{wall: time.Second, each: make([]time.Duration, 5)}, timing{wall: time.Second, each: make([]time.Duration, 10)}}})}}
	var text, doc strings.Builder
	if err := r.WriteText(&text); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(text.String(), "0.50") || !strings.Contains(text.String(), "fsync on") {
		t.Errorf("the text lacks the ratio or the settings:\n%s", text.String())
	}
	if err := r.WriteJSON(&doc); err != nil {
		t.Fatal(err)
	}
	var back Report
	if err := json.Unmarshal([]byte(doc.String()), &back); err != nil || back.Rows[0].Ratio != 0.5 {
		t.Errorf("got ratio %v, error %v; want 0.5", back.Rows, err)
	}
}

func TestRunRefusesNothingToMeasure(t *testing.T) {
	for name, o := range map[string]Options{
		"no sessions":    {Clinics: 1, Connections: []int{1}},
		"no clinics":     {Sessions: 1, Connections: []int{1}},
		"no connections": {Sessions: 1, Clinics: 1},
	} {
		if _, err := Run(t.Context(), o); err == nil {
			t.Errorf("%s: got no error", name)
		}
	}
}
