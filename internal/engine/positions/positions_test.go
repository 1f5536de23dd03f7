package positions_test

import (
	"encoding/csv"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/positions"
	"ponderal.example/internal/record"
)

func bout(asked, kept int, end record.BoutEnd) record.Bout {
	return record.Bout{AskedSeconds: asked, KeptSeconds: kept, EndedBy: end}
}

func of(rating record.Tolerance, bouts ...record.Bout) record.PositionTolerance {
	return positions.Of([]record.PositionSeries{{Number: 1, Position: record.Standing, Rating: rating, Bouts: bouts}})[0]
}

// frequencyTerms reads the DOT rows of 02_frequency_terms.csv (US Department of Labor, Dictionary of Occupational Titles, 4th ed. rev. 1991,
// Appendix C): each term's share of the working day in thirds, and its note.
func frequencyTerms(t *testing.T) map[record.Tolerance][3]string {
	t.Helper()
	file, err := os.Open("../../../testdata/reference/02_frequency_terms.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"scheme", "term", "fraction_of_workday_min", "fraction_of_workday_max"}; !slices.Equal(rows[0][:4], want) {
		t.Fatalf("columns %v", rows[0])
	}
	terms := map[record.Tolerance][3]string{}
	for _, row := range rows[1:] {
		if row[0] == "DOT/SCO" {
			terms[record.Tolerance(row[1])] = [3]string{row[2], row[3], row[5]}
		}
	}
	return terms
}

// thirds reads a share as a number of thirds.
func thirds(t *testing.T, share string) int {
	t.Helper()
	over, under, fraction := strings.Cut(share, "/")
	n, err := strconv.Atoi(over)
	if err != nil || fraction && under != "3" {
		t.Fatalf("share %q", share)
	}
	if !fraction {
		n *= 3
	}
	return n
}

// TestTerms holds the observed terms against the published shares: inside each band, and at its ends as the source's notes have them ("up to
// 1/3", "2/3 or more").
func TestTerms(t *testing.T) {
	terms := frequencyTerms(t)
	if len(terms) != 3 || !strings.Contains(terms[record.ToleratedOccasional][2], "up to 1/3") || !strings.Contains(terms[record.ToleratedConstant][2], "2/3 or more") {
		t.Fatalf("the reference has %v", terms)
	}
	const third = 1200
	for term, row := range terms {
		low, high := thirds(t, row[0])*third, thirds(t, row[1])*third
		for _, kept := range []int{low + 1, (low + high) / 2, high - 1} {
			if got := of(record.ToleratedConstant, bout(3*third, kept, record.BoutVolitional)); got.Observed != term || got.Tolerance != term {
				t.Errorf("%d of %d s: %s, tolerance %s, want %s", kept, 3*third, got.Observed, got.Tolerance, term)
			}
		}
	}
	for _, c := range []struct {
		kept int
		want record.Tolerance
	}{
		{0, record.ToleratedNever}, {1, record.ToleratedOccasional}, {third, record.ToleratedOccasional}, {third + 1, record.ToleratedFrequent},
		{2*third - 1, record.ToleratedFrequent}, {2 * third, record.ToleratedConstant}, {3 * third, record.ToleratedConstant},
	} {
		if got := of(record.ToleratedConstant, bout(3*third, c.kept, record.BoutVolitional)); got.Observed != c.want {
			t.Errorf("%d of %d s: %s, want %s", c.kept, 3*third, got.Observed, c.want)
		}
	}
}

// TestOf: totals over the bouts, and what each end of a bout counts as asked for.
func TestOf(t *testing.T) {
	got := positions.Of([]record.PositionSeries{
		{Number: 2, Position: record.Kneeling, Rating: record.ToleratedOccasional},
		{Number: 1, Position: record.Sitting, Rating: record.ToleratedFrequent, Bouts: []record.Bout{
			bout(600, 600, record.BoutCompleted), bout(600, 150, record.BoutAdministrative), bout(900, 250, record.BoutSymptom),
		}},
	})
	want := []record.PositionTolerance{
		{SeriesNumber: 1, Position: record.Sitting, Tolerance: record.ToleratedFrequent, Rating: record.ToleratedFrequent, Observed: record.ToleratedFrequent,
			AskedSeconds: 1650, KeptSeconds: 1000, LongestSeconds: 600},
		{SeriesNumber: 2, Position: record.Kneeling, Tolerance: record.ToleratedOccasional, Rating: record.ToleratedOccasional},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if got := positions.Of(nil); got != nil {
		t.Errorf("no series: %v", got)
	}
	for end, want := range map[record.BoutEnd]record.Tolerance{
		record.BoutCompleted: record.ToleratedOccasional, record.BoutVolitional: record.ToleratedOccasional, record.BoutSymptom: record.ToleratedOccasional,
		record.BoutMechanics: record.ToleratedOccasional, record.BoutHeartRate: record.ToleratedOccasional, record.BoutAdministrative: record.ToleratedConstant,
	} {
		if got := of(record.ToleratedConstant, bout(900, 200, end)); got.Observed != want {
			t.Errorf("ended by %s: %s, want %s", end, got.Observed, want)
		}
	}
	if got := of(record.ToleratedFrequent, bout(900, 0, record.BoutAdministrative)); got.Observed != record.NoTolerance || got.Tolerance != record.ToleratedFrequent {
		t.Errorf("broken off at once: %+v", got)
	}
}

// TestLowerStands: of every pair of rating and observation the lower stands, and a rating above is told.
func TestLowerStands(t *testing.T) {
	kept := map[record.Tolerance]int{record.ToleratedNever: 0, record.ToleratedOccasional: 300, record.ToleratedFrequent: 450, record.ToleratedConstant: 900}
	all := record.Tolerances()
	for i, rating := range all {
		if got := of(rating); got.Tolerance != rating || positions.RatingAbove(got) {
			t.Errorf("%s without a bout: %+v", rating, got)
		}
		for j, seen := range all {
			got := of(rating, bout(900, kept[seen], record.BoutVolitional))
			if got.Observed != seen || got.Tolerance != all[min(i, j)] || positions.RatingAbove(got) != (i > j) {
				t.Errorf("rated %s, observed %s: %+v", rating, seen, got)
			}
		}
	}
}

func TestSymptom(t *testing.T) {
	series := []record.PositionSeries{
		{Number: 4, Bouts: []record.Bout{bout(60, 60, record.BoutCompleted), {EndedBy: record.BoutCompleted, Symptoms: []record.Symptom{record.SymptomDizziness}}}},
		{Number: 1, Bouts: []record.Bout{bout(60, 30, record.BoutSymptom)}},
		{Number: 2, Bouts: []record.Bout{bout(60, 30, record.BoutVolitional)}},
		{Number: 3},
	}
	if got := positions.Symptom(series); !slices.Equal(got, []int{1, 4}) {
		t.Error(got)
	}
	if got := positions.Symptom(series[2:]); got != nil {
		t.Error(got)
	}
}

// TestMatch: every demand against every tolerance, and not tested.
func TestMatch(t *testing.T) {
	all := record.Tolerances()
	for i, demand := range all {
		demands := []record.PositionDemand{{Position: record.Walking, Demand: demand}}
		for j, have := range all {
			want := record.PositionMatch{Position: record.Walking, Demand: demand, Tolerance: have, Verdict: record.TaskShort, SeriesNumber: 3}
			if j >= i {
				want.Verdict = record.TaskWithin
			}
			found := []record.PositionTolerance{{SeriesNumber: 3, Position: record.Walking, Tolerance: have}, {SeriesNumber: 1, Position: record.Sitting, Tolerance: record.ToleratedNever}}
			if diff := cmp.Diff([]record.PositionMatch{want}, positions.Match(demands, found)); diff != "" {
				t.Errorf("%s for %s: %s", have, demand, diff)
			}
		}
		want := record.PositionMatch{Position: record.Walking, Demand: demand, Verdict: record.TaskNotTested}
		if demand == record.ToleratedNever {
			want.Verdict = record.TaskWithin
		}
		if diff := cmp.Diff([]record.PositionMatch{want}, positions.Match(demands, nil)); diff != "" {
			t.Errorf("not tested: %s", diff)
		}
	}
	if got := positions.Match(nil, nil); got != nil {
		t.Error(got)
	}
	unknown := []record.PositionTolerance{{SeriesNumber: 1, Position: record.Walking}, {SeriesNumber: 2, Position: record.Walking, Tolerance: record.ToleratedConstant}}
	if got := positions.Match([]record.PositionDemand{{Position: record.Walking, Demand: record.ToleratedOccasional}}, unknown)[0]; got.Verdict != record.TaskNotTested {
		t.Errorf("a series without a tolerance: %+v", got)
	}
	if got := positions.Match([]record.PositionDemand{{Position: record.Walking}}, unknown[1:])[0]; got.Verdict != record.TaskNotTested {
		t.Errorf("no demand: %+v", got)
	}
}

// TestSeveral: the lowest stands, of equals the first by number.
func TestSeveral(t *testing.T) {
	found := []record.PositionTolerance{
		{SeriesNumber: 1, Position: record.Walking, Tolerance: record.ToleratedConstant},
		{SeriesNumber: 4, Position: record.Walking, Tolerance: record.ToleratedOccasional},
		{SeriesNumber: 3, Position: record.Walking, Tolerance: record.ToleratedOccasional},
		{SeriesNumber: 2, Position: record.Sitting, Tolerance: record.ToleratedNever},
	}
	got := positions.Match([]record.PositionDemand{{Position: record.Walking, Demand: record.ToleratedFrequent}}, found)
	want := []record.PositionMatch{{Position: record.Walking, Demand: record.ToleratedFrequent, Tolerance: record.ToleratedOccasional, Verdict: record.TaskShort, SeriesNumber: 3}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

type source interface{ IntN(n int) int }

var ends = []record.BoutEnd{record.BoutCompleted, record.BoutVolitional, record.BoutSymptom, record.BoutMechanics, record.BoutHeartRate, record.BoutAdministrative}

func random(s source, n int) []record.PositionSeries {
	series := make([]record.PositionSeries, n)
	for i := range series {
		series[i] = record.PositionSeries{Number: i + 1, Position: record.Positions()[s.IntN(4)], Rating: record.Tolerances()[s.IntN(4)]}
		for range s.IntN(4) {
			asked := 1 + s.IntN(90)
			series[i].Bouts = append(series[i].Bouts, bout(asked, s.IntN(asked+1), ends[s.IntN(len(ends))]))
		}
	}
	return series
}

func place(v record.Tolerance) int { return slices.Index(record.Tolerances(), v) }

// TestProperties: the order of series and bouts changes nothing; a second more that is kept up lowers no tolerance and worsens no verdict.
func TestProperties(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	demands := []record.PositionDemand{{Position: record.Sitting, Demand: record.ToleratedConstant}, {Position: record.Standing, Demand: record.ToleratedFrequent},
		{Position: record.Walking, Demand: record.ToleratedOccasional}}
	worse := map[record.Verdict]int{record.TaskWithin: 0, record.TaskShort: 1, record.TaskNotTested: 2}
	for range 5000 {
		series := random(r, 1+r.IntN(6))
		before := positions.Of(series)
		matched := positions.Match(demands, before)
		r.Shuffle(len(series), func(i, j int) { series[i], series[j] = series[j], series[i] })
		for i := range series {
			b := series[i].Bouts
			r.Shuffle(len(b), func(i, j int) { b[i], b[j] = b[j], b[i] })
		}
		after := positions.Of(series)
		if diff := cmp.Diff(before, after); diff != "" {
			t.Fatalf("another order of series and bouts: %s", diff)
		}
		r.Shuffle(len(after), func(i, j int) { after[i], after[j] = after[j], after[i] })
		if diff := cmp.Diff(matched, positions.Match(demands, after)); diff != "" {
			t.Fatalf("another order of tolerances: %s", diff)
		}
		s := &series[r.IntN(len(series))]
		if len(s.Bouts) == 0 {
			continue
		}
		b := &s.Bouts[r.IntN(len(s.Bouts))]
		if b.KeptSeconds == b.AskedSeconds {
			continue
		}
		b.KeptSeconds++
		more := positions.Of(series)
		// Where nothing was observed before (a bout broken off at once), the first second is the whole of what was asked for: constant.
		for i := range before {
			if was := before[i]; place(more[i].Tolerance) < place(was.Tolerance) || was.Observed != "" && place(more[i].Observed) < place(was.Observed) {
				t.Fatalf("a second more lowers %+v to %+v", was, more[i])
			}
		}
		for i, m := range positions.Match(demands, more) {
			if worse[m.Verdict] > worse[matched[i].Verdict] {
				t.Fatalf("a second more worsens %+v to %+v", matched[i], m)
			}
		}
	}
}

// FuzzPositions: any record, no panic; the tolerance is never above the rating, and a match is within only when the tolerance reaches the demand.
func FuzzPositions(f *testing.F) {
	f.Add("constant", "standing", 900, 300, "symptom", 600, 600, "completed", "frequent")
	f.Add("", "", -1, 1<<62, "administrative", 1<<62, -5, "", "never")
	f.Fuzz(func(t *testing.T, rating, position string, asked, kept int, end string, asked2, kept2 int, end2, demand string) {
		series := []record.PositionSeries{
			{Number: 1, Position: record.Position(position), Rating: record.Tolerance(rating), Bouts: []record.Bout{bout(asked, kept, record.BoutEnd(end)), bout(asked2, kept2, record.BoutEnd(end2))}},
			{Number: 1, Position: record.Position(position), Rating: record.Tolerance(rating), Bouts: []record.Bout{bout(asked2, kept2, record.BoutEnd(end))}},
		}
		found := positions.Of(series)
		for _, got := range found {
			if place(got.Tolerance) > place(got.Rating) || got.KeptSeconds < 0 || got.KeptSeconds > got.AskedSeconds || got.LongestSeconds > got.KeptSeconds {
				t.Fatalf("%+v", got)
			}
			if positions.RatingAbove(got) && got.Tolerance != got.Observed {
				t.Fatalf("%+v", got)
			}
		}
		m := positions.Match([]record.PositionDemand{{Position: record.Position(position), Demand: record.Tolerance(demand)}}, found)
		if len(m) != 1 || m[0].Verdict == record.TaskWithin && place(m[0].Demand) > max(place(m[0].Tolerance), 0) {
			t.Fatalf("%+v", m)
		}
		positions.Symptom(series)
	})
}

func BenchmarkOfAndMatch(b *testing.B) {
	series := random(rand.New(rand.NewPCG(1, 2)), 14)
	demands := make([]record.PositionDemand, 0, 14)
	for _, p := range record.Positions() {
		demands = append(demands, record.PositionDemand{Position: p, Demand: record.ToleratedFrequent})
	}
	b.ReportAllocs()
	for b.Loop() {
		if m := positions.Match(demands, positions.Of(series)); len(m) != len(demands) {
			b.Fatal(m)
		}
	}
}
