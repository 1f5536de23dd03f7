package witness

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"ponderal.example/internal/seal"
)

// bench is a worker over logs in memory, with what it logs.
type bench struct {
	*Worker
	shelf    *shelf
	registry *prometheus.Registry
	logged   *journal
}

// journal is a log that may be read while it is written.
type journal struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (j *journal) Write(p []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.Write(p)
}

func (j *journal) String() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.String()
}

func newBench(t testing.TB, interval time.Duration, logs map[string]*memory, targets ...Target) *bench {
	t.Helper()
	b := &bench{shelf: &shelf{t: t, logs: logs, fail: map[string]error{}}, registry: prometheus.NewRegistry(), logged: &journal{}}
	b.Worker = must(NewWorker(Options{Logs: b.shelf, Targets: targets, Interval: interval, Now: now, Rand: rand.Reader, Registry: b.registry,
		Logger: slog.New(slog.NewTextHandler(b.logged, &slog.HandlerOptions{Level: slog.LevelDebug}))}))(t)
	return b
}

// metric reads one series; labels are those given, in any order.
func (b *bench) metric(t testing.TB, name string, labels ...string) float64 {
	t.Helper()
	families := must(b.registry.Gather())(t)
	for _, f := range families {
		if f.GetName() != name {
			continue
		}
		for _, m := range f.GetMetric() {
			matched := 0
			for _, l := range m.GetLabel() {
				for _, want := range labels {
					if l.GetValue() == want {
						matched++
					}
				}
			}
			if matched == len(labels) {
				return m.GetCounter().GetValue() + m.GetGauge().GetValue()
			}
		}
	}
	t.Fatalf("there is no series %s %v", name, labels)
	return 0
}

func (b *bench) outcomes(t testing.TB, witness string) string {
	var all []string
	for _, o := range outcomes() {
		if n := b.metric(t, "ponderal_witness_heads_total", witness, o); n > 0 {
			all = append(all, fmt.Sprintf("%s %d", o, int(n)))
		}
	}
	return strings.Join(all, ", ")
}

const one = "witness.example/one"

// TestRoundsFollowTheLogs: each head is cosigned once, growth from where the witness stands, and a log without entries is left alone.
func TestRoundsFollowTheLogs(t *testing.T) {
	a, b, empty := newMemory(t, "log.example/a").grow(t, 3, "entry"), newMemory(t, "log.example/b").grow(t, 1, "entry"), newMemory(t, "log.example/c")
	w, target := strict(t, one, a, b, empty)
	bench := newBench(t, time.Hour, map[string]*memory{"a": a, "b": b, "c": empty}, target)
	client, ctx := clientOf(t, target), context.Background()
	for round := range 3 {
		if round == 2 {
			a.grow(t, 260, "entry")
		}
		if !bench.round(ctx, client) {
			t.Fatal("the witness was not reached")
		}
	}
	if len(a.kept) != 2 || a.kept[3] == "" || a.kept[263] == "" || len(b.kept) != 1 || len(empty.kept) != 0 {
		t.Errorf("kept %v, %v, %v", a.kept, b.kept, empty.kept)
	}
	if _, asked := w.Seen(a.origin); asked != 3 {
		t.Errorf("the witness was asked %d times, want 3: each head once", asked)
	}
	if got := bench.outcomes(t, one); got != "cosigned 3" {
		t.Errorf("outcomes: %s", got)
	}
	if behind := bench.metric(t, "ponderal_witness_logs_behind", one); behind != 0 {
		t.Errorf("%v logs behind", behind)
	}
	if last := bench.metric(t, "ponderal_witness_last_cosignature_timestamp_seconds", one); time.Since(time.Unix(int64(last), 0)) > time.Minute {
		t.Errorf("last cosignature at %v", last)
	}
}

// TestTheWitnessKnowsBetter: it has seen more than is stored here, or less: the size that it names is where the proof starts.
func TestTheWitnessKnowsBetter(t *testing.T) {
	log := newMemory(t, "log.example/a").grow(t, 5, "entry")
	w, target := strict(t, one, log)
	bench := newBench(t, time.Hour, map[string]*memory{"a": log}, target)
	client, ctx := clientOf(t, target), context.Background()
	bench.round(ctx, client)
	clear(log.kept) // cosigned and not stored: stopped in between
	bench.round(ctx, client)
	if log.kept[5] == "" {
		t.Error("the head that it had cosigned was not cosigned again")
	}
	clear(log.kept)
	log.grow(t, 2, "entry")
	bench.round(ctx, client)
	w.Forget(log.origin)
	log.grow(t, 2, "entry")
	bench.round(ctx, client)
	if log.kept[7] == "" || log.kept[9] == "" || bench.outcomes(t, one) != "cosigned 4" {
		t.Errorf("kept %v; %s", log.kept, bench.outcomes(t, one))
	}
}

// TestAlarms: a log that was cut, one that was rewritten, and one rewritten at the same size, are what a witness is there to show.
func TestAlarms(t *testing.T) {
	for name, tt := range map[string]struct {
		now  func(*memory) *memory
		want string
	}{
		"just grown":                 {func(m *memory) *memory { return m.fork(t, 7, 0) }, "cosigned 2"},
		"cut":                        {func(m *memory) *memory { return m.fork(t, 4, 0) }, "cosigned 1, log_shorter 1"},
		"rewritten":                  {func(m *memory) *memory { return m.fork(t, 4, 3) }, "cosigned 1, other_log 1"},
		"rewritten at the same size": {func(m *memory) *memory { return m.fork(t, 4, 1) }, "cosigned 1, other_log 1"},
	} {
		log := newMemory(t, "log.example/a").grow(t, 5, "entry")
		_, target := strict(t, one, log)
		bench := newBench(t, time.Hour, map[string]*memory{"a": log}, target)
		client := clientOf(t, target)
		bench.round(context.Background(), client)
		bench.shelf.logs["a"] = tt.now(log)
		bench.round(context.Background(), client)
		if got := bench.outcomes(t, one); got != tt.want {
			t.Errorf("%s: %s, want %s", name, got, tt.want)
		}
		alarm := strings.Contains(bench.logged.String(), "level=ERROR") && strings.Contains(bench.logged.String(), "audit check")
		if alarm != (name != "just grown") {
			t.Errorf("%s: alarm %v: %s", name, alarm, bench.logged)
		}
	}
}

// TestRefusalsOfOneLog: one log that a witness does not know holds up no other.
func TestRefusalsOfOneLog(t *testing.T) {
	known, unknown, rekeyed := newMemory(t, "log.example/k").grow(t, 2, "entry"), newMemory(t, "log.example/a").grow(t, 2, "entry"), newMemory(t, "log.example/b")
	_, target := strict(t, one, known, rekeyed)
	again := newMemory(t, rekeyed.origin).grow(t, 2, "entry")
	bench := newBench(t, time.Hour, map[string]*memory{"a": unknown, "b": again, "k": known}, target)
	if !bench.round(context.Background(), clientOf(t, target)) || known.kept[2] == "" {
		t.Error("the log that the witness knows was not cosigned")
	}
	if got := bench.outcomes(t, one); got != "cosigned 1, unknown_log 1, refused_key 1" {
		t.Errorf("outcomes: %s", got)
	}
	if behind := bench.metric(t, "ponderal_witness_logs_behind", one); behind != 2 {
		t.Errorf("%v logs behind", behind)
	}
}

// TestConflictWithoutEnd: a witness that names another size each time is given up after a few.
func TestConflictWithoutEnd(t *testing.T) {
	log := newMemory(t, "log.example/a").grow(t, 9, "entry")
	_, honest := strict(t, one, log)
	var asked atomic.Int64
	target := Target{Key: honest.Key, URL: served(t, hostile(func(rw http.ResponseWriter, _ *http.Request) {
		rw.Header().Set("Content-Type", sizeType)
		rw.WriteHeader(http.StatusConflict)
		_, _ = fmt.Fprintf(rw, "%d\n", 1+asked.Add(1)%5)
	}))}
	bench := newBench(t, time.Hour, map[string]*memory{"a": log}, target)
	if !bench.round(context.Background(), clientOf(t, target)) || asked.Load() != maxAttempts || bench.outcomes(t, one) != "bad_answer 1" {
		t.Errorf("asked %d times; %s", asked.Load(), bench.outcomes(t, one))
	}
}

// TestForgedCosignaturesAreNotKept: nothing reaches the store.
func TestForgedCosignaturesAreNotKept(t *testing.T) {
	log := newMemory(t, "log.example/a").grow(t, 2, "entry")
	honest, _ := strict(t, one, log)
	_, at := strict(t, one, log)
	target := Target{URL: at.URL, Key: must(seal.ParseWitness(honest.Key()))(t)}
	bench := newBench(t, time.Hour, map[string]*memory{"a": log}, target)
	bench.round(context.Background(), clientOf(t, target))
	if len(log.kept) != 0 || bench.outcomes(t, one) != "bad_cosignature 1" {
		t.Errorf("kept %v; %s", log.kept, bench.outcomes(t, one))
	}
}

// TestOwnErrorsAreNotTheWitnesss: the service's own failures are told as such, and no store is asked for ever.
func TestOwnErrorsAreNotTheWitnesss(t *testing.T) {
	for _, method := range []string{"Logs", "Head", "Proof", "Keep"} {
		log := newMemory(t, "log.example/a").grow(t, 2, "entry")
		_, target := strict(t, one, log)
		bench := newBench(t, time.Hour, map[string]*memory{"a": log}, target)
		client := clientOf(t, target)
		if method == "Proof" {
			bench.round(context.Background(), client)
			log.grow(t, 1, "entry")
		}
		bench.shelf.fail[method] = errors.New("the store is down")
		if !bench.round(context.Background(), client) || bench.metric(t, "ponderal_witness_heads_total", one, outcomeOwnError) != 1 {
			t.Errorf("%s fails: %s", method, bench.outcomes(t, one))
		}
	}
}

// TestUnreachableWitness: after the first failure it is left alone until the next round.
func TestUnreachableWitness(t *testing.T) {
	a, b := newMemory(t, "log.example/a").grow(t, 1, "entry"), newMemory(t, "log.example/b").grow(t, 1, "entry")
	w, _ := strict(t, one, a, b)
	var asked atomic.Int64
	target := Target{Key: must(seal.ParseWitness(w.Key()))(t), URL: served(t, hostile(func(rw http.ResponseWriter, _ *http.Request) {
		asked.Add(1)
		conn, _, err := http.NewResponseController(rw).Hijack()
		if err == nil {
			_ = conn.Close()
		}
	}))}
	bench := newBench(t, time.Hour, map[string]*memory{"a": a, "b": b}, target)
	if bench.round(context.Background(), clientOf(t, target)) || bench.outcomes(t, one) != "unreachable 1" || asked.Load() > 2 {
		t.Errorf("asked %d times; %s", asked.Load(), bench.outcomes(t, one))
	}
	if behind := bench.metric(t, "ponderal_witness_logs_behind", one); behind != 2 {
		t.Errorf("%v logs behind", behind)
	}
}

func TestBackoff(t *testing.T) {
	for _, tt := range []struct {
		interval time.Duration
		failures int
		want     time.Duration
	}{
		{time.Minute, 0, time.Minute}, {time.Minute, 1, 2 * time.Minute}, {time.Minute, 3, 8 * time.Minute}, {time.Minute, 6, time.Hour},
		{time.Minute, 1 << 30, time.Hour}, {3 * time.Hour, 0, 3 * time.Hour}, {3 * time.Hour, 9, 3 * time.Hour},
	} {
		if got := backoff(tt.interval, tt.failures); got != tt.want {
			t.Errorf("%v after %d failures: %v, want %v", tt.interval, tt.failures, got, tt.want)
		}
	}
}

// TestRun: a witness that hangs holds up no other, and the end of the context ends everything (TestMain looks for what is left).
func TestRun(t *testing.T) {
	log := newMemory(t, "log.example/a").grow(t, 2, "entry")
	good, target := strict(t, one, log)
	hangs, _ := strict(t, "witness.example/two", log)
	hanging := Target{Key: must(seal.ParseWitness(hangs.Key()))(t), URL: served(t, hostile(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		<-r.Context().Done()
	}))}
	bench := newBench(t, 20*time.Millisecond, map[string]*memory{"a": log}, hanging, target)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); bench.Run(ctx) }()
	deadline := time.Now().Add(20 * time.Second)
	for size := int64(2); size <= 4; size++ {
		for seen, _ := good.Seen(log.origin); seen.N != size && time.Now().Before(deadline); seen, _ = good.Seen(log.origin) {
			time.Sleep(5 * time.Millisecond)
		}
		log.grow(t, 1, "entry")
	}
	cancel()
	select {
	case <-done:
	case <-time.After(10 * time.Second):
		t.Fatal("the worker does not end")
	}
	if seen, _ := good.Seen(log.origin); seen.N < 4 {
		t.Errorf("the witness that answers has seen %d entries", seen.N)
	}
}

func TestNewWorkerNeedsEverything(t *testing.T) {
	log := newMemory(t, "log.example/a")
	_, target := strict(t, one, log)
	whole := func() Options {
		return Options{Logs: &shelf{}, Targets: []Target{target}, Interval: time.Hour, Now: now, Rand: rand.Reader, Registry: prometheus.NewRegistry(),
			Logger: slog.New(slog.DiscardHandler)}
	}
	if _, err := NewWorker(whole()); err != nil {
		t.Error(err)
	}
	for name, spoil := range map[string]func(*Options){
		"logs": func(o *Options) { o.Logs = nil }, "witnesses": func(o *Options) { o.Targets = nil }, "interval": func(o *Options) { o.Interval = 0 },
		"clock": func(o *Options) { o.Now = nil }, "randomness": func(o *Options) { o.Rand = nil }, "logger": func(o *Options) { o.Logger = nil },
		"registry": func(o *Options) { o.Registry = nil },
	} {
		o := whole()
		spoil(&o)
		if _, err := NewWorker(o); err == nil {
			t.Errorf("made without %s", name)
		}
	}
}
