package casework

import (
	"context"
	"crypto/x509"
	"encoding/json"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"ponderal.example/internal/authn/factor"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
	"ponderal.example/internal/webhook"
)

// arrival is one request to a payer's system, with the answer that it got.
type arrival struct {
	id, kind string
	number   int64
	status   int
}

// payerSystem is a receiver over TLS that holds each request against the standard's own library, with the secrets that it knows.
type payerSystem struct {
	t      testing.TB
	server *httptest.Server
	// answer says what the n-th request (from 1) of an event gets; a negative status hangs.
	answer func(number int64, n int) int

	mu       sync.Mutex
	secrets  []string
	arrivals []arrival
	tries    map[int64]int
	bodies   []string
}

func (p *payerSystem) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	text, _ := io.ReadAll(r.Body)
	var got struct {
		Type string
		Data struct {
			FeedNumber int64 `json:"feed_number"`
		}
	}
	p.mu.Lock()
	if err := json.Unmarshal(text, &got); err != nil {
		p.t.Errorf("body %s: %v", text, err)
	}
	verified := false
	for _, s := range p.secrets {
		v, err := standardwebhooks.NewWebhook(s)
		verified = verified || err == nil && v.Verify(text, r.Header) == nil
	}
	if !verified {
		p.t.Errorf("event %d does not verify", got.Data.FeedNumber)
	}
	p.tries[got.Data.FeedNumber]++
	status := p.answer(got.Data.FeedNumber, p.tries[got.Data.FeedNumber])
	p.arrivals = append(p.arrivals, arrival{r.Header.Get("webhook-id"), got.Type, got.Data.FeedNumber, status})
	p.bodies = append(p.bodies, string(text))
	p.mu.Unlock()
	if status < 0 {
		<-r.Context().Done()
		return
	}
	w.WriteHeader(status)
}

func (p *payerSystem) seen() []arrival {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]arrival(nil), p.arrivals...)
}

// taken are the events that were answered 200, in order.
func (p *payerSystem) taken() []int64 {
	var out []int64
	for _, a := range p.seen() {
		if a.status == http.StatusOK {
			out = append(out, a.number)
		}
	}
	return out
}

// hooked is a world with a signed result that a payer with a webhook may be released.
type hooked struct {
	*world
	payerSystem *payerSystem
	session     record.Session
	put         WebhookPut
}

func always(status int) func(int64, int) int { return func(int64, int) int { return status } }

func newHooked(t *testing.T) *hooked {
	t.Helper()
	w, s := pushed(t)
	line := must(factor.NewLine(&source{r: rand.NewChaCha8([32]byte{3})}, "k1"))(t)
	w.c.signIn = &SignIn{Secrets: must(factor.Read([]byte(line)))(t)}
	h := &hooked{world: w, session: s, payerSystem: &payerSystem{t: t, answer: always(http.StatusOK), tries: map[int64]int{}}}
	h.payerSystem.server = httptest.NewTLSServer(h.payerSystem)
	t.Cleanup(h.payerSystem.server.Close)
	h.put = must(w.c.PutWebhook(w.ctx, w.payer(insure), record.Webhook{ID: id("eb", 1), URL: h.payerSystem.server.URL + "/in"}, 0, false))(t)
	h.payerSystem.secrets = []string{h.put.Secret}
	must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	return h
}

// supersede signs a second result in place of the first.
func (h *hooked) supersede() {
	h.t.Helper()
	must(h.c.CorrectTrial(h.ctx, h.reviewer(east), correction(h.t, h.session, 1)))(h.t)
	must(h.c.SignResult(h.ctx, h.reviewer(east), superseding()))(h.t)
}

// replica starts the queue of one more replica; stop ends it as a service does.
func (h *hooked) replica() (stop func()) {
	h.t.Helper()
	st := must(store.Open(h.ctx, store.Options{URL: h.url, MaxConns: 4}))(h.t)
	roots := x509.NewCertPool()
	roots.AddCert(h.payerSystem.server.Certificate())
	client := must(webhook.NewClient(webhook.Options{Private: true, Roots: roots, Timeout: 500 * time.Millisecond, Now: time.Now}))(h.t)
	d := h.c.Delivering(client, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(h.ctx)
	done := make(chan error, 1)
	go func() {
		done <- st.RunJobs(ctx, store.Jobs{Deliver: d.Deliver, Again: func(store.WebhookJob, int) time.Duration { return 20 * time.Millisecond }, Now: time.Now,
			Logger: slog.New(slog.DiscardHandler), Poll: 100 * time.Millisecond, WebhookTimeout: 5 * time.Second})
	}()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-done; err != nil {
				h.t.Errorf("the queue ended: %v", err)
			}
			st.Close()
		})
	}
	h.t.Cleanup(stop)
	return stop
}

func (h *hooked) deliveries() []Delivery {
	h.t.Helper()
	return must(h.c.ListDeliveries(h.ctx, h.payer(insure), "", record.Page{}))(h.t).Items
}

// until waits for something to come about.
func (h *hooked) until(what string, ok func() bool) {
	h.t.Helper()
	for end := time.Now().Add(30 * time.Second); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			h.t.Fatalf("%s did not come about; arrivals %+v, deliveries %+v", what, h.payerSystem.seen(), h.deliveries())
		}
	}
}

// ended waits until no event waits any more.
func (h *hooked) ended(events int) []Delivery {
	h.t.Helper()
	h.until("the end of all events", func() bool {
		all := h.deliveries()
		for _, d := range all {
			if d.State == DeliveryWaiting {
				return false
			}
		}
		return len(all) == events
	})
	return h.deliveries()
}

// super runs a statement as the server's superuser.
func (h *hooked) super(sql string) {
	h.t.Helper()
	conn := must(pgx.Connect(h.ctx, h.db.SuperURL))(h.t)
	defer conn.Close(h.ctx)
	if _, err := conn.Exec(h.ctx, sql); err != nil {
		h.t.Fatal(err)
	}
}
