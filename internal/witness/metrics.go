package witness

import (
	"fmt"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// metrics are counted by the name of the witness, which the operator wrote down; never by clinic.
type metrics struct {
	requests *prometheus.CounterVec
	last     *prometheus.GaugeVec
	lagging  *prometheus.GaugeVec
}

func newMetrics(r prometheus.Registerer) (metrics, error) {
	m := metrics{
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "ponderal_witness_heads_total",
			Help: "Heads of logs offered to a witness, by what became of it; other_log and log_shorter are alarms."}, []string{"witness", "outcome"}),
		last: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "ponderal_witness_last_cosignature_timestamp_seconds",
			Help: "When a witness last cosigned a log, Unix time; 0 for never since the start."}, []string{"witness"}),
		lagging: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "ponderal_witness_logs_behind",
			Help: "Logs whose newest head the witness had not cosigned at the end of the last round."}, []string{"witness"}),
	}
	for _, c := range []prometheus.Collector{m.requests, m.last, m.lagging} {
		if err := r.Register(c); err != nil {
			return metrics{}, fmt.Errorf("register metrics of witnesses: %w", err)
		}
	}
	return m, nil
}

// expect makes every series of a witness, so that one that never answers is seen as such.
func (m metrics) expect(witness string) {
	for _, outcome := range outcomes() {
		m.requests.WithLabelValues(witness, outcome)
	}
	m.last.WithLabelValues(witness)
	m.lagging.WithLabelValues(witness)
}

func (m metrics) count(witness, outcome string) { m.requests.WithLabelValues(witness, outcome).Inc() }

func (m metrics) cosigned(witness string, at time.Time) {
	m.last.WithLabelValues(witness).Set(float64(at.UnixNano()) / 1e9)
}

func (m metrics) behind(witness string, logs int) {
	m.lagging.WithLabelValues(witness).Set(float64(logs))
}
