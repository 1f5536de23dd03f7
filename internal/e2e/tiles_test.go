package e2e

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"filippo.io/torchwood"
	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
	"google.golang.org/protobuf/types/dynamicpb"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/serve"
)

// monitor follows a clinic's log over HTTP with golang.org/x/mod/sumdb/tlog and note alone. It implements tlog.TileReader.
type monitor struct {
	t      testing.TB
	prefix string
	token  string
	seen   map[string]bool
	bend   func(path string, tile []byte)
}

func (w *world) monitor(clinic, token string) *monitor {
	return &monitor{t: w.t, prefix: "http://" + w.at.REST + "/v1/log/" + clinic, token: token, seen: map[string]bool{}}
}

func (m *monitor) get(path string) (int, http.Header, []byte) {
	m.t.Helper()
	req := must(http.NewRequestWithContext(context.Background(), http.MethodGet, m.prefix+path, nil))(m.t)
	if m.token != "" {
		req.Header.Set("Authorization", "Bearer "+m.token)
	}
	resp := must(http.DefaultClient.Do(req))(m.t)
	defer resp.Body.Close()
	return resp.StatusCode, resp.Header, must(io.ReadAll(resp.Body))(m.t)
}

// Height of the tiles of C2SP tlog-tiles.
func (m *monitor) Height() int { return 8 }

// ReadTiles fetches tiles under the paths of C2SP tlog-tiles, which leave the height out.
func (m *monitor) ReadTiles(tiles []tlog.Tile) ([][]byte, error) {
	var out [][]byte
	for _, tile := range tiles {
		path := "/tile/" + strings.TrimPrefix(tile.Path(), "tile/8/")
		status, header, data := m.get(path)
		if status != http.StatusOK || header.Get("Content-Type") != "application/octet-stream" {
			return nil, fmt.Errorf("%s: HTTP %d, %s", path, status, header.Get("Content-Type"))
		}
		if m.bend != nil {
			m.bend(path, data)
		}
		m.seen[path] = true
		out = append(out, data)
	}
	return out, nil
}

// SaveTiles keeps nothing.
func (m *monitor) SaveTiles([]tlog.Tile, [][]byte) {}

// head fetches the checkpoint and opens it with the published key, as package note has it.
func (m *monitor) head(w *world, clinic string) tlog.Tree {
	m.t.Helper()
	status, header, text := m.get("/checkpoint")
	if status != http.StatusOK || header.Get("Content-Type") != "text/plain; charset=utf-8" || header.Get("Cache-Control") != "no-store" {
		m.t.Fatalf("checkpoint: HTTP %d, %v, %s", status, header, text)
	}
	name := "log.ponderal.example/" + clinic
	ring := must(seal.ParseJWKS(w.cases.Keys()))(m.t)
	var keys []note.Verifier
	for _, k := range ring.Keys() {
		if k.Use == seal.UseLog {
			vkey := must(note.NewEd25519VerifierKey(name, k.Key))(m.t)
			keys = append(keys, must(note.NewVerifier(vkey))(m.t))
		}
	}
	n := must(note.Open(text, note.VerifierList(keys...)))(m.t)
	lines := strings.Split(n.Text, "\n")
	if len(n.Sigs) != 1 || len(lines) != 4 || lines[0] != name {
		m.t.Fatalf("checkpoint: %q", text)
	}
	return tlog.Tree{N: must(strconv.ParseInt(lines[1], 10, 64))(m.t), Hash: must(tlog.ParseHash(lines[2]))(m.t)}
}

// fillTo puts job profiles until the log has more than size entries.
func (w *world) fillTo(clinic string, size int) {
	w.t.Helper()
	for i := int(number(w.ask("SELECT size::text FROM ponderal.audit_head WHERE clinic_id = $1", clinic)[0])); i <= size; i++ {
		must(w.cases.PutJobProfile(w.ctx, w.admin(clinic), record.JobProfile{ID: id("b3", i), Title: "filler",
			Tasks: []record.JobTask{{Name: "lift", Zone: record.FloorWaist, Pace: record.Occasional, Load: lb(w.t, 36)}}}, 0))(w.t)
	}
}

// TestMonitorFollowsTheLog: a client library that is not ours opens the checkpoint, reads tiles, and proves with them that a signed result is in
// the log and that the log has only grown; a tile that was tampered with is found out.
func TestMonitorFollowsTheLog(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.furnish(placeOf(2), westMark, payer)
	clinic := placeOf(2).clinic
	token := w.payerToken(payer)
	m := w.monitor(clinic, token)
	before := m.head(w, clinic)
	w.fillTo(clinic, 300)
	after := m.head(w, clinic)
	if before.N < 10 || after.N < 300 {
		t.Fatalf("sizes %d and %d", before.N, after.N)
	}
	reader := tlog.TileHashReader(after, m)
	consistency := must(tlog.ProveTree(after.N, before.N, reader))(t)
	if err := tlog.CheckTree(consistency, after.N, after.Hash, before.N, before.Hash); err != nil {
		t.Errorf("consistency of %d with %d: %v", before.N, after.N, err)
	}
	got := must(w.cases.GetResult(w.ctx, principal(clinic), placeOf(2).ids["result"]))(t)
	file := got.Value.Bundle.File()
	leaf := tlog.RecordHash(append(bytes.Clone(file.Salt), file.Entry...))
	at := got.Revision.Entry
	inclusion := must(tlog.ProveRecord(after.N, at, reader))(t)
	if err := tlog.CheckRecord(inclusion, after.N, after.Hash, at, leaf); err != nil {
		t.Errorf("inclusion of the result's entry %d: %v", at, err)
	}
	if !m.seen["/tile/0/000"] || !m.seen["/tile/1/000.p/1"] {
		t.Errorf("tiles fetched: %v", m.seen)
	}
	m.secondReader(w, after, before, at, leaf)
	m.bend = func(path string, tile []byte) {
		if path == "/tile/0/000" {
			tile[32*at] ^= 1
		}
	}
	if _, err := tlog.ProveRecord(after.N, at, tlog.TileHashReader(after, m)); err == nil {
		t.Error("a bit of the entry's hash changed in the tile and the reader took it")
	}
}

// bearer sends a token along.
type bearer string

func (b bearer) RoundTrip(r *http.Request) (*http.Response, error) {
	r = r.Clone(r.Context())
	r.Header.Set("Authorization", "Bearer "+string(b))
	return http.DefaultTransport.RoundTrip(r)
}

// secondReader reads the same with filippo.io/torchwood, a client of C2SP tlog-tiles and tlog-checkpoint which makes its own paths and requests.
func (m *monitor) secondReader(w *world, after, before tlog.Tree, at int64, leaf tlog.Hash) {
	t := m.t
	t.Helper()
	fetcher := must(torchwood.NewTileFetcher(m.prefix, torchwood.WithHTTPClient(&http.Client{Transport: bearer(m.token)})))(t)
	text := must(fetcher.ReadEndpoint(w.ctx, "checkpoint"))(t)
	body, _, _ := strings.Cut(string(text), "\n\n")
	checkpoint := must(torchwood.ParseCheckpoint(body + "\n"))(t)
	if checkpoint.N != after.N || checkpoint.Hash != after.Hash {
		t.Errorf("the second reader has the checkpoint %v, the first %v", checkpoint, after)
	}
	reader := torchwood.TileHashReaderWithContext(w.ctx, checkpoint.Tree, fetcher)
	inclusion := must(tlog.ProveRecord(checkpoint.N, at, reader))(t)
	if err := tlog.CheckRecord(inclusion, checkpoint.N, checkpoint.Hash, at, leaf); err != nil {
		t.Errorf("inclusion by the second reader: %v", err)
	}
	consistency := must(tlog.ProveTree(checkpoint.N, before.N, reader))(t)
	if err := tlog.CheckTree(consistency, checkpoint.N, checkpoint.Hash, before.N, before.Hash); err != nil {
		t.Errorf("consistency by the second reader: %v", err)
	}
}

// TestTilesThatAreThere: every tile of a log as C2SP tlog-tiles serves it, kept by the caller alone, and nothing else.
func TestTilesThatAreThere(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.furnish(placeOf(2), westMark, payer)
	clinic := placeOf(2).clinic
	w.fillTo(clinic, 256)
	token := w.payerToken(payer)
	m := w.monitor(clinic, token)
	size := int(m.head(w, clinic).N)
	last := size - 256
	var whole []byte
	for path, width := range map[string]int{"0/000": 256, "0/000.p/255": 255, "0/000.p/1": 1, "1/000.p/1": 1, fmt.Sprintf("0/001.p/%d", last): last} {
		status, header, tile := m.get("/tile/" + path)
		if status != http.StatusOK || len(tile) != 32*width || header.Get("Content-Type") != "application/octet-stream" ||
			header.Get("Cache-Control") != "private, max-age=31536000, immutable" || header.Get("Vary") != "Authorization" {
			t.Errorf("%s: HTTP %d, %d bytes, %v", path, status, len(tile), header)
		}
		if path == "0/000" {
			whole = tile
		}
	}
	if status, _, part := m.get("/tile/0/000.p/255"); status != http.StatusOK || len(whole) != 8192 || !bytes.Equal(part, whole[:255*32]) {
		t.Errorf("a partial tile is not the beginning of the whole: HTTP %d", status)
	}
	var none string
	for _, path := range []string{fmt.Sprintf("0/001.p/%d", last+1), "0/001", "0/002.p/1", "1/000", "1/000.p/2", "2/000.p/1", "63/000", "0/x999/999", "0/0",
		"0/000.p/256", "0/000.p/0", "entries/000", "data/000", "8/0/000"} {
		status, header, body := m.get("/tile/" + path)
		body = []byte(without(string(body), header.Values("X-Request-Id")))
		if none == "" {
			none = string(body)
		}
		if status != http.StatusNotFound || string(body) != none || header.Get("Cache-Control") != "no-store" {
			t.Errorf("%s: HTTP %d, %q, %s; another is answered %q", path, status, body, header.Get("Cache-Control"), none)
		}
	}
}

// TestWhoFollowsWhichLog: a clinic its own, a payer those of clinics that released to it, an auditor all; and what one may not follow is to it as
// what is not there.
func TestWhoFollowsWhichLog(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	here, there, nowhere := placeOf(2), placeOf(1), placeOf(9)
	must(w.cases.PutPayer(w.ctx, w.network(""), record.Payer{ID: otherPayer, Name: "Imagined Assurance"}, 0))(t)
	w.furnish(here, westMark, payer)
	w.furnish(there, eastMark, otherPayer)
	payers := w.payerToken(payer)
	auditors, _ := w.mint(casework.NewToken{Label: "auditor", Roles: []record.Role{record.RoleNetworkAuditor}}, 48*time.Hour)
	admins := w.token(here.clinic, here.ids["member"], record.RoleClinicAdmin)
	evaluators := w.token(here.clinic, here.ids["member"], record.RoleEvaluator)
	for _, c := range []struct {
		name, token          string
		own, other, nonesuch int
	}{
		{"payer", payers, 200, 404, 404}, {"auditor", auditors, 200, 200, 404}, {"clinic's administrator", admins, 200, 403, 403},
		{"evaluator", evaluators, 403, 403, 403}, {"nobody", "", 401, 401, 401},
	} {
		for _, path := range []string{"/checkpoint", "/tile/0/000.p/1"} {
			var answers []string
			for i, p := range []*place{here, there, nowhere} {
				status, header, body := w.monitor(p.clinic, c.token).get(path)
				if want := []int{c.own, c.other, c.nonesuch}[i]; status != want {
					t.Errorf("%s, log %d, %s: HTTP %d, want %d: %s", c.name, i, path, status, want, body)
				}
				answers = append(answers, without(string(body), header.Values("X-Request-Id")))
			}
			if c.other != 200 && answers[1] != answers[2] {
				t.Errorf("%s, %s: another's log is answered %q and none %q", c.name, path, answers[1], answers[2])
			}
		}
	}
	if status, _, body := w.monitor("no-uuid", payers).get("/checkpoint"); status != http.StatusBadRequest {
		t.Errorf("a clinic that is no id: HTTP %d, %s", status, body)
	}
}

// strict knows nobody.
type strict struct{}

func (strict) Authenticate(context.Context, string) (authn.Principal, error) {
	return authn.Principal{}, fault.New(fault.Unauthenticated, "TOKEN_INVALID", "the token is not valid")
}

// TestPublicLogs: where logs are public, anybody follows them, caches may share tiles, and nothing else is open.
func TestPublicLogs(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.furnish(placeOf(2), westMark, payer)
	server := must(serve.New(serve.Options{
		Cases: w.cases, Authenticator: strict{}, Ready: func(context.Context) error { return nil }, GRPCAddress: "127.0.0.1:0", RESTAddress: "127.0.0.1:0",
		Logger: slog.New(slog.DiscardHandler), Registry: prometheus.NewRegistry(), Now: time.Now, NewRequestID: uuid.NewString, PublicLogs: true,
		RateLimits: w.rates,
	}))(t)
	at := must(server.Start(w.ctx))(t)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := server.Stop(ctx); err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	m := w.monitor(placeOf(2).clinic, "")
	m.prefix = "http://" + at.REST + "/v1/log/" + placeOf(2).clinic
	tree := m.head(w, placeOf(2).clinic)
	if _, err := tlog.ProveRecord(tree.N, 0, tlog.TileHashReader(tree, m)); err != nil {
		t.Errorf("anybody: %v", err)
	}
	if status, header, _ := m.get("/tile/0/000.p/1"); status != 200 || header.Get("Cache-Control") != "public, max-age=31536000, immutable" || header.Get("Vary") != "" {
		t.Errorf("tile: HTTP %d, %v", status, header)
	}
	for _, path := range []string{"/consistency?oldSize=1", "/inclusion/0", "/cosignatures"} {
		if status, _, body := m.get(path); status != http.StatusOK {
			t.Errorf("%s, anybody: HTTP %d, %s", path, status, body)
		}
	}
	m.prefix = "http://" + at.REST + "/v1/log/" + placeOf(9).clinic
	if status, _, body := m.get("/checkpoint"); status != http.StatusNotFound {
		t.Errorf("a log that is not there: HTTP %d, %s", status, body)
	}
	service := must(caller.Dial(at.GRPC, "http://"+at.REST))(t)
	defer func() { _ = service.Close() }()
	for _, method := range scoped(t) {
		in, ok := sample(t, method, placeOf(2))
		if !ok {
			t.Errorf("%s: no request", methodName(method))
			continue
		}
		err := service.As("", caller.REST).Call(w.ctx, methodName(method), in, dynamicpb.NewMessage(method.Output()))
		if p, ok := caller.AsProblem(err); !ok || p.Code != "UNAUTHENTICATED" {
			t.Errorf("%s with public logs: %v", methodName(method), err)
		}
	}
}
