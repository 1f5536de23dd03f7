package load

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"time"
)

// timing is the wall time of a run and of each of its jobs.
type timing struct {
	wall time.Duration
	each []time.Duration
}

func (t *timing) add(u timing) {
	t.wall += u.wall
	t.each = append(t.each, u.each...)
}

// slice is one part of a row: the same sessions pushed, then copied.
type slice struct{ pushed, copied timing }

// ratio is the rate of pushes divided by that of raw COPY.
func (s slice) ratio() float64 {
	if s.copied.rate() == 0 {
		return 0
	}
	return s.pushed.rate() / s.copied.rate()
}

// median is the lower of the middle two where there is no middle one.
func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(values))
	return sorted[(len(sorted)-1)/2]
}

func (t timing) count() int { return len(t.each) }

func (t timing) rate() float64 {
	if t.wall <= 0 {
		return 0
	}
	return float64(len(t.each)) / t.wall.Seconds()
}

// percentile is the nearest-rank percentile in milliseconds.
func (t timing) percentile(p int) float64 {
	if len(t.each) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(t.each))
	rank := (p*len(sorted) + 99) / 100
	return float64(sorted[max(rank, 1)-1].Microseconds()) / 1000
}

// Report is one run. Rates are sessions a second.
type Report struct {
	Sessions int    `json:"sessions"`
	Clinics  int    `json:"clinics"`
	Postgres string `json:"postgres"`
	Rows     []Row  `json:"rows"`
}

// Row compares the service with raw COPY at one number of connections.
type Row struct {
	Connections int     `json:"connections"`
	Push        Figures `json:"push"`
	Copy        Figures `json:"copy"`
	// Ratio is the rate of pushes divided by that of raw COPY, over the whole row.
	Ratio float64 `json:"ratio"`
	// MedianRatio is the median of the ratios of the row's slices.
	MedianRatio float64 `json:"median_ratio"`
}

// Figures of one way of writing; latencies in milliseconds.
type Figures struct {
	Rate float64 `json:"sessions_per_second"`
	P50  float64 `json:"p50_ms"`
	P95  float64 `json:"p95_ms"`
	P99  float64 `json:"p99_ms"`
}

func newRow(connections int, parts []slice) Row {
	var all slice
	ratios := make([]float64, len(parts))
	for i, part := range parts {
		all.pushed.add(part.pushed)
		all.copied.add(part.copied)
		ratios[i] = part.ratio()
	}
	return Row{Connections: connections, Push: figures(all.pushed), Copy: figures(all.copied), Ratio: all.ratio(), MedianRatio: median(ratios)}
}

func figures(t timing) Figures {
	return Figures{Rate: t.rate(), P50: t.percentile(50), P95: t.percentile(95), P99: t.percentile(99)}
}

// WriteJSON writes the report for programs.
func (r Report) WriteJSON(w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(r)
}

// WriteText writes the report for people.
func (r Report) WriteText(w io.Writer) error {
	_, err := fmt.Fprintf(w, `Sessions of %d series and %d trials, %d a row, over %d clinics; client and service on this machine.
push: gRPC, authenticated, validated, scored, audited, durable.
copy: the same session and trial rows by raw COPY, one transaction a session, same indexes, no audit, no policies.
ratio: over the whole row; median: of its slices, in which pushing and copying take turns.
%s

connections     push/s     copy/s   ratio  median   push p50   p95    p99 ms   copy p50   p95    p99 ms
`, seriesPerSession, seriesPerSession*trialsPerSeries, r.Sessions, r.Clinics, r.Postgres)
	if err != nil {
		return err
	}
	for _, row := range r.Rows {
		_, err = fmt.Fprintf(w, "%11d %10.0f %10.0f %7.2f %7.2f   %8.2f %6.2f %6.2f      %8.2f %6.2f %6.2f\n", row.Connections, row.Push.Rate, row.Copy.Rate,
			row.Ratio, row.MedianRatio, row.Push.P50, row.Push.P95, row.Push.P99, row.Copy.P50, row.Copy.P95, row.Copy.P99)
		if err != nil {
			return err
		}
	}
	return nil
}
