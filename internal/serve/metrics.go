package serve

import (
	"fmt"
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
)

// registerProcess registers what concerns the process and its database pool.
func registerProcess(r *prometheus.Registry, pool func() Pool) error {
	all := []prometheus.Collector{collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{})}
	if pool != nil {
		all = append(all,
			gauge("max", "Connections that the pool may open.", func() int { return pool().Max }),
			gauge("total", "Connections open.", func() int { return pool().Total }),
			gauge("idle", "Connections open and free.", func() int { return pool().Idle }),
			gauge("in_use", "Connections at work.", func() int { return pool().InUse }),
		)
	}
	for _, c := range all {
		if err := r.Register(c); err != nil {
			return fmt.Errorf("register metrics: %w", err)
		}
	}
	return nil
}

func gauge(name, help string, read func() int) prometheus.Collector {
	return prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "ponderal_pool_connections_" + name, Help: help},
		func() float64 { return float64(read()) })
}

// metricsOnly serves /metrics and nothing else.
func metricsOnly(h http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", h)
	return mux
}
