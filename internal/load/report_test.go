package load

import (
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func even(n int, wall, each time.Duration) timing {
	t := timing{wall: wall}
	for range n {
		t.each = append(t.each, each)
	}
	return t
}

func TestRowComparesRates(t *testing.T) {
	pushed, copied := even(100, 2*time.Second, 0), even(100, time.Second, 0)
	row := newRow("sessions", "push", 0.5, []slice{{pushed, copied}})
	if row.Service.Rate != 50 || row.Limit.Rate != 100 || row.Ratio != 0.5 || row.MedianRatio != 0.5 || row.Value != 0.5 {
		t.Errorf("got %+v, service %v, limit %v; want rates 50 and 100, ratios 0.5", row, row.Service, row.Limit)
	}
	disturbed := even(100, 96*time.Second, 0)
	row = newRow("sessions", "push", 0.5, []slice{{pushed, copied}, {disturbed, copied}, {pushed, copied}})
	if row.Ratio != 0.03 || row.MedianRatio != 0.5 {
		t.Errorf("one slice of three disturbed: ratio %v median %v, want 0.03 and 0.5", row.Ratio, row.MedianRatio)
	}
	empty := newRow("sessions", "push", 0.5, nil)
	if empty.judge(); empty.Ratio != 0 || empty.MedianRatio != 0 || empty.Holds {
		t.Errorf("a row without slices: %+v", empty)
	}
}

func TestRowCountsItemsNotCalls(t *testing.T) {
	page := even(2, time.Second, 500*time.Millisecond)
	page.items = 200
	var all timing
	all.add(page)
	all.add(page)
	if all.rate() != 200 || all.percentile(50) != 500 || len(all.each) != 4 {
		t.Errorf("got %v a second, p50 %v, %d calls; want 200, 500, 4", all.rate(), all.percentile(50), len(all.each))
	}
}

func TestTimesRowComparesMedians(t *testing.T) {
	full, empty := even(9, time.Second, 13*time.Millisecond), even(9, time.Second, 10*time.Millisecond)
	row := newTimesRow("sessions", "push", 1.3, []slice{{full, empty}})
	if row.judge(); row.Value != 1.3 || !row.Holds {
		t.Errorf("13 ms against 10 ms: got %v, holds %v; want 1.3, true", row.Value, row.Holds)
	}
	slow := even(9, time.Second, 13100*time.Microsecond)
	row = newTimesRow("sessions", "push", 1.3, []slice{{slow, empty}})
	if row.judge(); row.Holds {
		t.Errorf("13.1 ms against 10 ms holds against 1.3: %+v", row)
	}
}

func TestAimsAreHeldAtTheirEdge(t *testing.T) {
	for name, c := range map[string]struct {
		row  Row
		want bool
	}{
		"ratio at its aim":       {Row{Kind: aimRatio, Aim: 0.5, Value: 0.5}, true},
		"ratio just below":       {Row{Kind: aimRatio, Aim: 0.5, Value: 0.4999}, false},
		"memory under":           {Row{Kind: aimMegabytes, Aim: 150, Value: 149.9}, true},
		"memory at its aim":      {Row{Kind: aimMegabytes, Aim: 150, Value: 150}, false},
		"time under":             {Row{Kind: aimMilliseconds, Aim: 300, Value: 299}, true},
		"time at its aim":        {Row{Kind: aimMilliseconds, Aim: 300, Value: 300}, false},
		"nothing measured":       {Row{Kind: aimMilliseconds, Aim: 300}, false},
		"no times measured":      {Row{Kind: aimTimes, Aim: 1.3}, false},
		"no ratio was measured":  {Row{Kind: aimRatio, Aim: 0.5}, false},
		"times just above":       {Row{Kind: aimTimes, Aim: 1.3, Value: 1.3001}, false},
		"times at most at their": {Row{Kind: aimTimes, Aim: 1.3, Value: 1.3}, true},
	} {
		if c.row.judge(); c.row.Holds != c.want {
			t.Errorf("%s: holds %v, want %v", name, c.row.Holds, c.want)
		}
	}
}

func TestShownIsNeverRoundedToTheAimsSide(t *testing.T) {
	for want, row := range map[string]Row{
		"0.49":   {Kind: aimRatio, Value: 0.4999},
		"0.50":   {Kind: aimRatio, Value: 0.5},
		"1.31x":  {Kind: aimTimes, Value: 1.3001},
		"1.30x":  {Kind: aimTimes, Value: 1.3},
		"149 MB": {Kind: aimMegabytes, Value: 149.2},
		"220 ms": {Kind: aimMilliseconds, Value: 220},
	} {
		if got := row.value(); got != want {
			t.Errorf("%v of kind %s: got %s, want %s", row.Value, row.Kind, got, want)
		}
	}
}

func wholeReport() Report {
	r := Report{Sessions: 10, Clinics: 2, Postgres: "Postgres 15, fsync on"}
	for _, name := range Names() {
		row := newRow("sessions", "push", 0.5, []slice{{even(5, time.Second, 1234567*time.Microsecond), even(10, time.Second, 1234567*time.Microsecond)}})
		row.Note = strings.Repeat("a word ", 40)
		if name[0] == "memory" {
			row = Row{Kind: aimMegabytes, Aim: 150, Value: 80}
		}
		row.Name, row.About = name[0], name[1]
		row.judge()
		r.Rows = append(r.Rows, row)
	}
	return r
}

func TestReportReadsInBothForms(t *testing.T) {
	r := wholeReport()
	var text, doc strings.Builder
	if err := r.WriteText(&text); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"0.50", "fsync on", "holds", "80 MB", "< 150 MB", "1234.57"} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("the text lacks %q:\n%s", want, text.String())
		}
	}
	for line := range strings.Lines(text.String()) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 100 {
			t.Errorf("a line of %d columns: %s", n, line)
		}
	}
	if err := r.WriteJSON(&doc); err != nil {
		t.Fatal(err)
	}
	var back Report
	if err := json.Unmarshal([]byte(doc.String()), &back); err != nil || len(back.Rows) != len(r.Rows) {
		t.Fatalf("got %d rows, error %v; want %d", len(back.Rows), err, len(r.Rows))
	}
	for i, row := range back.Rows {
		if row.Name != r.Rows[i].Name || row.Value != r.Rows[i].Value || row.Holds != r.Rows[i].Holds || row.Aim != r.Rows[i].Aim {
			t.Errorf("row %d came back as %+v, want %+v", i, row, r.Rows[i])
		}
	}
}

func TestWrappedKeepsEveryWord(t *testing.T) {
	text := strings.Repeat("five5 ", 30)
	got := wrapped(text, 9, 40)
	if strings.Join(strings.Fields(got), " ") != strings.TrimSpace(text) {
		t.Errorf("words were lost: %q", got)
	}
	for i, line := range strings.Split(got, "\n") {
		if i > 0 && !strings.HasPrefix(line, "         five5") {
			t.Errorf("line %d is not indented: %q", i, line)
		}
		if len(line) > 40 {
			t.Errorf("line %d has %d columns", i, len(line))
		}
	}
}
