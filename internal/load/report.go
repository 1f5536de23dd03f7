package load

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
)

// How a row is held against its aim.
const (
	// aimRatio: the median ratio is at least the aim.
	aimRatio = "ratio at least"
	// aimTimes: the median ratio is at most the aim.
	aimTimes = "times at most"
	// aimMegabytes and aimMilliseconds: the value is under the aim.
	aimMegabytes    = "MB under"
	aimMilliseconds = "ms under"
)

// Report is one run.
type Report struct {
	Sessions int    `json:"sessions"`
	Clinics  int    `json:"clinics"`
	Postgres string `json:"postgres"`
	Rows     []Row  `json:"rows"`
}

// Row is one figure with its limit and its aim.
type Row struct {
	Name  string `json:"row"`
	About string `json:"about"`
	// Unit of the rates, such as sessions; Call is what a latency is of, such as a page.
	Unit string `json:"unit,omitempty"`
	Call string `json:"call,omitempty"`
	// Service and Limit are nil where a row has no such figures.
	Service *Figures `json:"service,omitempty"`
	Limit   *Figures `json:"limit,omitempty"`
	// Ratio of the rates over the whole row, MedianRatio that of its slices (of the median latencies, where the aim is a number of times). 0 where
	// there is no limit.
	Ratio       float64 `json:"ratio,omitempty"`
	MedianRatio float64 `json:"median_ratio,omitempty"`
	// Slices is how many there were.
	Slices int `json:"slices,omitempty"`
	// Value is what is held against Aim, as Kind says.
	Value float64 `json:"value"`
	Kind  string  `json:"kind"`
	Aim   float64 `json:"aim"`
	Holds bool    `json:"holds"`
	// Note says how much was measured.
	Note string `json:"note,omitempty"`
}

// Figures of one way; latencies in milliseconds.
type Figures struct {
	Rate float64 `json:"per_second"`
	P50  float64 `json:"p50_ms"`
	P95  float64 `json:"p95_ms"`
	P99  float64 `json:"p99_ms"`
}

// newRow compares rates.
func newRow(unit, call string, aim float64, parts []slice) Row {
	var all slice
	ratios := make([]float64, len(parts))
	for i, part := range parts {
		all.service.add(part.service)
		all.limit.add(part.limit)
		ratios[i] = part.ratio()
	}
	service, limit := figures(all.service), figures(all.limit)
	row := Row{Unit: unit, Call: call, Service: &service, Limit: &limit, Ratio: all.ratio(), MedianRatio: median(ratios), Slices: len(parts), Kind: aimRatio, Aim: aim}
	row.Value = row.MedianRatio
	return row
}

// newTimesRow compares median latencies: how many times as long the service takes as its limit.
func newTimesRow(unit, call string, aim float64, parts []slice) Row {
	row := newRow(unit, call, aim, parts)
	times := make([]float64, len(parts))
	for i, part := range parts {
		if p := part.limit.percentile(50); p > 0 {
			times[i] = part.service.percentile(50) / p
		}
	}
	row.Kind, row.Ratio, row.MedianRatio = aimTimes, 0, median(times)
	if row.Limit.P50 > 0 {
		row.Ratio = row.Service.P50 / row.Limit.P50
	}
	row.Value = row.MedianRatio
	return row
}

// judge says whether the value meets the aim. Nothing measured meets none.
func (r *Row) judge() {
	switch r.Kind {
	case aimRatio:
		r.Holds = r.Value >= r.Aim
	case aimTimes:
		r.Holds = r.Value > 0 && r.Value <= r.Aim
	default:
		r.Holds = r.Value > 0 && r.Value < r.Aim
	}
}

func (r *Row) verdict() string {
	word := "falls short"
	if r.Holds {
		word = "holds"
	}
	return fmt.Sprintf("%s (aim %s), %s", r.value(), r.aim(), word)
}

func (r *Row) value() string { return r.shown(r.Value) }

func (r *Row) shown(v float64) string {
	switch r.Kind {
	case aimMegabytes:
		return fmt.Sprintf("%.0f MB", v)
	case aimMilliseconds:
		return fmt.Sprintf("%.0f ms", v)
	case aimTimes:
		return fmt.Sprintf("%.2fx", math.Ceil(v*100-1e-9)/100)
	}
	// Never rounded to the aim's side.
	return fmt.Sprintf("%.2f", math.Floor(v*100+1e-9)/100)
}

func (r *Row) aim() string {
	switch r.Kind {
	case aimRatio:
		return ">= " + r.shown(r.Aim)
	case aimTimes:
		return "<= " + r.shown(r.Aim)
	}
	return "< " + r.shown(r.Aim)
}

// WriteJSON writes the report for programs.
func (r Report) WriteJSON(w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(r)
}

// WriteText writes the report for people, in lines of at most 100 columns.
func (r Report) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s; client, service and Postgres share this machine.\nA session has %d series and %d trials. Audit, validation and row-level security are on throughout.\n\n",
		r.Postgres, seriesPerSession, seriesPerSession*trialsPerSeries)
	fmt.Fprintf(&b, "%-8s %-12s %9s %9s %8s %8s\n", "row", "what", "service", "limit", "aim", "is")
	for _, row := range r.Rows {
		row.writeLine(&b)
	}
	fmt.Fprintf(&b, "\n%-8s %-8s %26s   %26s\n", "ms each", "", "service p50    p95    p99", "limit p50    p95    p99")
	for _, row := range r.Rows {
		if row.Service == nil {
			continue
		}
		fmt.Fprintf(&b, "%-8s %-8s %s   %s\n", row.Name, row.Call, row.Service.latencies(), row.Limit.latencies())
	}
	b.WriteString("\nservice, limit: how many a second. \"is\": the median of the slices in which both take turns.\n")
	for _, row := range r.Rows {
		fmt.Fprintf(&b, "\n%-8s %s", row.Name, wrapped(row.About+about(row), 9, 98))
	}
	b.WriteString("\n")
	_, err := io.WriteString(w, b.String())
	return err
}

// about is what is said of a row behind what it measures.
func about(row Row) string {
	text := "."
	if row.Note != "" {
		text = ": " + row.Note + "."
	}
	if row.Slices > 0 {
		text += fmt.Sprintf(" Over the whole row %s, in %d slices.", row.shown(row.Ratio), row.Slices)
	}
	return text
}

func (r *Row) writeLine(b *strings.Builder) {
	service, limit := "", ""
	if r.Service != nil {
		service, limit = fmt.Sprintf("%.0f", r.Service.Rate), fmt.Sprintf("%.0f", r.Limit.Rate)
	}
	word := "falls short"
	if r.Holds {
		word = "holds"
	}
	fmt.Fprintf(b, "%-8s %-12s %9s %9s %8s %8s   %s\n", r.Name, r.Unit, service, limit, r.aim(), r.value(), word)
}

func (f *Figures) latencies() string {
	return fmt.Sprintf("%12.2f %6.1f %6.1f", f.P50, f.P95, f.P99)
}

// wrapped breaks a text into lines of at most width columns; all but the first begin with indent spaces.
func wrapped(text string, indent, width int) string {
	var b strings.Builder
	column := indent
	for i, word := range strings.Fields(text) {
		switch {
		case i == 0:
		case column+1+len(word) > width:
			b.WriteString("\n" + strings.Repeat(" ", indent))
			column = indent
		default:
			b.WriteString(" ")
			column++
		}
		b.WriteString(word)
		column += len(word)
	}
	return b.String()
}
