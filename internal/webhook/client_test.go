package webhook

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	payer  = "018f0000-0000-7000-8000-0000000000a1"
	result = "018f0000-0000-7000-8000-0000000000b1"
	clinic = "018f0000-0000-7000-8000-0000000000c1"
	former = "018f0000-0000-7000-8000-0000000000b0"
)

func event() Event {
	return Event{PayerID: payer, FeedNumber: 7, ResultID: result, ClinicID: clinic, Supersedes: former, At: time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC)}
}

func secret(t *testing.T) string {
	t.Helper()
	s, err := NewSecret(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// receiver is a payer's system over TLS and a client that trusts its certificate.
func receiver(t *testing.T, timeout time.Duration, h http.HandlerFunc) (*httptest.Server, *Client) {
	t.Helper()
	s := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		// A server sees that its caller is gone once it has read what the caller sent.
		text, _ := io.ReadAll(r.Body)
		r.Body = io.NopCloser(bytes.NewReader(text))
		h(w, r)
	}))
	t.Cleanup(s.Close)
	roots := x509.NewCertPool()
	roots.AddCert(s.Certificate())
	c, err := NewClient(Options{Private: true, Roots: roots, Timeout: timeout, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	return s, c
}

// TestSignedForTheStandard: the standard's own library takes what is sent, with the newest secret and with the former one, and with no other.
func TestSignedForTheStandard(t *testing.T) {
	newest, before, other := secret(t), secret(t), secret(t)
	var text []byte
	var head http.Header
	s, c := receiver(t, time.Second, func(w http.ResponseWriter, r *http.Request) {
		text, _ = io.ReadAll(r.Body)
		head = r.Header.Clone()
		if r.Method != http.MethodPost || r.Header.Get("Content-Type") != "application/json" {
			w.WriteHeader(http.StatusBadRequest)
		}
	})
	if err := c.Send(t.Context(), s.URL+"/in?x=1", []string{newest, before}, event()); err != nil {
		t.Fatal(err)
	}
	verify := func(secret string, text []byte, head http.Header) error {
		w, err := standardwebhooks.NewWebhook(secret)
		if err != nil {
			t.Fatal(err)
		}
		return w.Verify(text, head)
	}
	for name, s := range map[string]string{"newest": newest, "former": before} {
		if err := verify(s, text, head); err != nil {
			t.Errorf("%s secret: %v", name, err)
		}
	}
	if err := verify(other, text, head); !errors.Is(err, standardwebhooks.ErrNoMatchingSignature) {
		t.Errorf("another secret: %v", err)
	}
	if err := verify(newest, append(bytes.Clone(text), ' '), head); err == nil {
		t.Error("a changed body is taken")
	}
	for _, name := range []string{"webhook-id", "webhook-timestamp"} {
		changed := head.Clone()
		changed.Set(name, strings.TrimSuffix(head.Get(name), head.Get(name)[len(head.Get(name))-1:])+"0"+"0")
		if err := verify(newest, text, changed); err == nil {
			t.Errorf("a changed %s is taken", name)
		}
	}
	if head.Get("webhook-id") != "evt_"+payer+"_7" || strings.Contains(head.Get("webhook-id"), ".") {
		t.Errorf("id %q", head.Get("webhook-id"))
	}
}

// TestTimestampIsTheTrys: a receiver that refuses what is older than five minutes takes a late try, because each is stamped anew, while the body stays.
func TestTimestampIsTheTrys(t *testing.T) {
	at := time.Unix(1_674_087_231, 0)
	key := secret(t)
	var stamps, bodies []string
	s, c := receiver(t, time.Second, func(_ http.ResponseWriter, r *http.Request) {
		text, _ := io.ReadAll(r.Body)
		stamps, bodies = append(stamps, r.Header.Get("webhook-timestamp")), append(bodies, string(text))
	})
	c.now = func() time.Time { at = at.Add(time.Hour); return at }
	for range 2 {
		if err := c.Send(t.Context(), s.URL, []string{key}, event()); err != nil {
			t.Fatal(err)
		}
	}
	if stamps[0] != "1674090831" || stamps[1] != "1674094431" || bodies[0] != bodies[1] {
		t.Errorf("stamps %v, bodies %v", stamps, bodies)
	}
}

// TestBodyHoldsIdsAlone: type, time, number and ids, and nothing else, whatever an event is.
func TestBodyHoldsIdsAlone(t *testing.T) {
	id := regexp.MustCompile(`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)
	plain := event()
	plain.Supersedes = ""
	for _, e := range []Event{event(), plain} {
		text, err := e.Body()
		if err != nil {
			t.Fatal(err)
		}
		var got struct {
			Type      string
			Timestamp time.Time
			Data      map[string]any
		}
		strict := json.NewDecoder(bytes.NewReader(text))
		strict.DisallowUnknownFields()
		if err := strict.Decode(&got); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		want := map[string]string{"": "result.released", former: "result.superseded"}[e.Supersedes]
		if got.Type != want || !got.Timestamp.Equal(e.At) {
			t.Errorf("%s: type %s at %v, want %s at %v", text, got.Type, got.Timestamp, want, e.At)
		}
		for name, v := range got.Data {
			switch name {
			case "feed_number":
				if v != 7.0 {
					t.Errorf("feed number %v", v)
				}
			case "result_id", "clinic_id", "supersedes":
				if s, ok := v.(string); !ok || !id.MatchString(s) {
					t.Errorf("%s is %v, no id", name, v)
				}
			default:
				t.Errorf("the body holds %s", name)
			}
		}
	}
}

// TestReceivers: what each does that fails, hangs, redirects, lies or closes, and what is made of it.
func TestReceivers(t *testing.T) {
	var elsewhere atomic.Int32
	other := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { elsewhere.Add(1) }))
	t.Cleanup(other.Close)
	release := make(chan struct{})
	raw := func(text string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			conn, buffered, err := http.NewResponseController(w).Hijack()
			if err != nil {
				return
			}
			_, _ = buffered.WriteString(text)
			_ = buffered.Flush()
			_ = conn.Close()
		}
	}
	status := func(n int) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(n) }
	}
	for name, tt := range map[string]struct {
		h    http.HandlerFunc
		want string // empty for taken
		gone bool
	}{
		"200": {h: status(200)}, "204": {h: status(204)}, "299": {h: status(299)},
		"rubbish under 200": {h: func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write(bytes.Repeat([]byte{0xff}, 1<<20)) }},
		"a body without end": {h: func(w http.ResponseWriter, r *http.Request) {
			w.WriteHeader(200)
			_ = http.NewResponseController(w).Flush()
			<-r.Context().Done()
		}},
		"a length that is a lie": {h: raw("HTTP/1.1 200 OK\r\nContent-Length: 1000000\r\n\r\nfew")},
		"404":                    {h: status(404), want: "status 404"},
		"410":                    {h: status(410), want: "status 410", gone: true},
		"500":                    {h: status(500), want: "status 500"},
		"301": {h: func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, other.URL, http.StatusMovedPermanently)
		}, want: "redirect"},
		"307": {h: func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, other.URL, http.StatusTemporaryRedirect)
		}, want: "redirect"},
		"hangs": {h: func(_ http.ResponseWriter, r *http.Request) {
			select {
			case <-release:
			case <-r.Context().Done():
			}
		}, want: "timeout"},
		"closes":                {h: raw(""), want: "connection"},
		"speaks something else": {h: raw("SSH-2.0-x\r\n"), want: "connection"},
		"two lengths":           {h: raw("HTTP/1.1 200 OK\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nab"), want: "connection"},
		"a head without end":    {h: raw("HTTP/1.1 200 OK\r\nX: " + strings.Repeat("x", 64<<10) + "\r\n\r\n"), want: "connection"},
		"half a head":           {h: raw("HTTP/1.1 200 OK\r\nX:"), want: "connection"},
	} {
		t.Run(name, func(t *testing.T) {
			s, c := receiver(t, 400*time.Millisecond, tt.h)
			err := c.Send(t.Context(), s.URL, []string{secret(t)}, event())
			var refused *Refused
			switch {
			case tt.want == "" && err != nil:
				t.Errorf("refused: %v", err)
			case tt.want != "" && (!errors.As(err, &refused) || refused.Code != tt.want || refused.Gone != tt.gone):
				t.Errorf("got %v, want %s", err, tt.want)
			}
		})
	}
	close(release)
	if n := elsewhere.Load(); n != 0 {
		t.Errorf("%d redirects were followed", n)
	}
}

// TestNotTrusted: a certificate of an authority that is not trusted, plain text behind https, and no listener at all.
func TestNotTrusted(t *testing.T) {
	s := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	t.Cleanup(s.Close)
	plain := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	t.Cleanup(plain.Close)
	gone, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_ = gone.Close()
	c, err := NewClient(Options{Private: true, Roots: x509.NewCertPool(), Now: time.Now, Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	for address, want := range map[string]string{s.URL: "tls", strings.Replace(plain.URL, "http:", "https:", 1): "tls", "https://" + gone.Addr().String(): "connection",
		plain.URL: "refused address", "https://no-such-host.invalid/": "no such host"} {
		err := c.Send(t.Context(), address, []string{secret(t)}, event())
		if err == nil || err.Error() != want {
			t.Errorf("%s: %v, want %s", address, err, want)
		}
	}
}

// TestPrivateAddresses: the usual client does not connect to a receiver on this machine, by address or by name, and says nothing of what is there.
func TestPrivateAddresses(t *testing.T) {
	var reached atomic.Int32
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	s.Config.ConnState = func(net.Conn, http.ConnState) { reached.Add(1) }
	s.StartTLS()
	t.Cleanup(s.Close)
	c, err := NewClient(Options{Now: time.Now, Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	for _, address := range []string{s.URL, strings.Replace(s.URL, "127.0.0.1", "localhost", 1), strings.Replace(s.URL, "127.0.0.1", "[::ffff:127.0.0.1]", 1)} {
		if err := c.Send(t.Context(), address, []string{secret(t)}, event()); err == nil || err.Error() != "refused address" {
			t.Errorf("%s: %v", address, err)
		}
	}
	if n := reached.Load(); n != 0 {
		t.Errorf("%d connections were made", n)
	}
}

// TestPublic: RFC 6890 and the IANA special-purpose address registries, each range with an address in it and, where it has one, its neighbour outside.
func TestPublic(t *testing.T) {
	for address, want := range map[string]bool{
		"10.0.0.1": false, "11.0.0.1": true, "172.16.0.1": false, "172.31.255.255": false, "172.32.0.1": true, "192.168.1.1": false, "192.169.0.1": true,
		"127.0.0.1": false, "128.0.0.1": true, "169.254.169.254": false, "169.253.0.1": true, "100.64.0.1": false, "100.127.255.255": false, "100.128.0.1": true,
		"0.0.0.0": false, "0.1.2.3": false, "1.0.0.1": true, "192.0.0.8": false, "192.0.2.1": false, "198.18.0.1": false, "198.20.0.1": true, "203.0.113.9": false,
		"224.0.0.1": false, "240.0.0.1": false, "255.255.255.255": false, "::": false, "::1": false, "::ffff:10.0.0.1": false, "::ffff:8.8.8.8": true,
		"fe80::1": false, "fc00::1": false, "fd12::1": false, "ff02::1": false, "64:ff9b::a00:1": false, "2001:db8::1": false, "2002:a00:1::1": false,
		"2001::1": false, "2606:4700::1": true, "3fff::1": false, "4000::1": false, "fec0::1": false,
	} {
		if got := public(netip.MustParseAddr(address)); got != want {
			t.Errorf("%s: public %v, want %v", address, got, want)
		}
	}
	if checkAddress("nonsense") == nil || checkAddress("8.8.8.8:443") != nil {
		t.Error("an address with its port")
	}
}

func TestCheckURL(t *testing.T) {
	for text, ok := range map[string]bool{
		"https://payer.example/hooks": true, "https://payer.example:8443/a?b=c": true, "http://payer.example/": false, "https:///x": false, "payer.example": false,
		"https://u:p@payer.example/": false, "https://payer.example/#x": false, "https://payer.example/#": false, "ftp://payer.example": false, "https:payer.example": false,
		"https://payer.example/" + strings.Repeat("x", 1000): false, "https://pa yer.example/": false, "": false,
	} {
		if got := CheckURL(text); (got == "") != ok {
			t.Errorf("%q: %q", text, got)
		}
	}
}

// TestDelays: the standard's example retry schedule (spec/standard-webhooks.md, "Deliverability and reliability"), with up to a tenth more.
func TestDelays(t *testing.T) {
	want := []string{"5s", "5m", "30m", "2h", "5h", "10h", "14h", "20h", "24h", "24h"}
	differ := false
	for i, text := range want {
		d, err := time.ParseDuration(text)
		if err != nil {
			t.Fatal(err)
		}
		for seed := range uint64(50) {
			got := Delay(i+1, seed)
			if got < d || got >= d+d/10 {
				t.Errorf("after try %d: %v, want %v and less than a tenth more", i+1, got, d)
			}
			differ = differ || got != Delay(i+1, seed+1)
			if got != Delay(i+1, seed) {
				t.Error("the same event, another delay")
			}
		}
	}
	if !differ {
		t.Error("all events are tried again together")
	}
}

func TestSecrets(t *testing.T) {
	a, b := secret(t), secret(t)
	if a == b || !regexp.MustCompile(`^whsec_[A-Za-z0-9+/]{43}=$`).MatchString(a) {
		t.Errorf("secrets %d and %d characters long", len(a), len(b))
	}
	if _, err := NewSecret(bytes.NewReader(make([]byte, 31))); err == nil {
		t.Error("a secret without enough randomness")
	}
	for _, bad := range [][]string{nil, {"whsec_!"}} {
		if _, err := Sign("evt_1", time.Now(), nil, bad); err == nil || strings.Contains(err.Error(), "!") {
			t.Errorf("%v: %v", bad, err)
		}
	}
	if _, err := NewClient(Options{}); err == nil {
		t.Error("a client without a clock")
	}
}

// TestEndedContext: a try that is interrupted by its caller ends at once.
func TestEndedContext(t *testing.T) {
	s, c := receiver(t, time.Minute, func(_ http.ResponseWriter, r *http.Request) { <-r.Context().Done() })
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := c.Send(ctx, s.URL, []string{secret(t)}, event()); err == nil || fmt.Sprint(err) != "timeout" {
		t.Errorf("got %v", err)
	}
}
