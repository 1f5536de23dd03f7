//go:build witness

package e2e

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"filippo.io/torchwood"
	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/agent"
	"golang.org/x/mod/sumdb/note"

	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/witness"
)

// realWitness is a running litewitness of filippo.io/torchwood, a witness of C2SP tlog-witness that nobody here wrote (.ci/witness-test.sh builds it).
type realWitness struct {
	address, key string
	said         *lines
}

// lines is what a process writes, and may be read while it does.
type lines struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// startWitness starts it with the logs that it is to know.
func startWitness(t *testing.T, name string, logs ...string) *realWitness {
	t.Helper()
	program, know := os.Getenv("PONDERAL_TEST_LITEWITNESS"), os.Getenv("PONDERAL_TEST_LITEWITNESS_LOGS")
	if program == "" || know == "" {
		t.Fatal("PONDERAL_TEST_LITEWITNESS and PONDERAL_TEST_LITEWITNESS_LOGS name the programs: run .ci/witness-test.sh")
	}
	dir := must(os.MkdirTemp("", "witness"))(t) // short: the path of a socket has little room
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	database, socket := filepath.Join(dir, "db"), filepath.Join(dir, "agent")
	if out, err := exec.Command(know, append([]string{database}, logs...)...).CombinedOutput(); err != nil {
		t.Fatalf("make the witness know the logs: %v\n%s", err, out)
	}
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	fingerprint := serveAgent(t, socket, private)
	free := must(net.Listen("tcp", "127.0.0.1:0"))(t)
	address := free.Addr().String()
	_ = free.Close()
	w := &realWitness{address: "http://" + address, key: must(torchwood.NewCosignatureSigner(name, private))(t).Verifier().String(), said: &lines{}}
	process := exec.Command(program, "-name", name, "-db", database, "-ssh-agent", socket, "-listen", address, "-key", fingerprint)
	process.Stderr, process.Stdout = w.said, w.said
	if err := process.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = process.Process.Signal(syscall.SIGINT)
		_ = process.Wait()
		if t.Failed() {
			t.Logf("the witness said:\n%s", w.said)
		}
	})
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		resp, err := http.Get(w.address + "/")
		if err == nil {
			_ = resp.Body.Close()
			return w
		}
		if time.Now().After(end) {
			t.Fatalf("the witness does not answer: %v\n%s", err, w.said)
		}
	}
}

// serveAgent serves an ssh agent with the witness's key, which is where that witness has it from, and returns the key's fingerprint.
func serveAgent(t *testing.T, socket string, private ed25519.PrivateKey) string {
	t.Helper()
	ring := agent.NewKeyring()
	if err := ring.Add(agent.AddedKey{PrivateKey: private}); err != nil {
		t.Fatal(err)
	}
	listener := must(net.Listen("unix", socket))(t)
	var running sync.WaitGroup
	t.Cleanup(func() { _ = listener.Close(); running.Wait() })
	running.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			running.Go(func() { _ = agent.ServeAgent(ring, conn); _ = conn.Close() })
		}
	})
	return ssh.FingerprintSHA256(must(ssh.NewPublicKey(private.Public()))(t))
}

// TestRealWitness: litewitness, as its own process, cosigns a clinic's log as it grows, is told of no log that it does not know, and refuses one that was cut
// and one that was rewritten with the real key.
func TestRealWitness(t *testing.T) {
	w := newWorld(t)
	w.furnish(placeOf(2), westMark, payer)
	clinic := placeOf(2).clinic
	real := startWitness(t, "witness.example/real", w.logKeys(clinic, record.NetworkClinic)...)
	target := targetAt(t, real.address, real.key)
	m := w.monitor(clinic, w.payerToken(payer))
	ctx, cancel := context.WithCancel(w.ctx)
	defer cancel()
	until := w.asking(target)
	for range 3 {
		w.fillTo(clinic, int(m.head(w, clinic).N)+90)
		until(clinic, m.head(w, clinic).N, 1)
	}
	_, _, signed := m.get("/checkpoint")
	key := must(seal.ParseWitness(real.key))(t)
	opened, err := note.Open(signed, note.VerifierList(append(verifiers(t, w.logKeys(clinic)...), key)...))
	if err != nil || len(opened.Sigs) != 2 {
		t.Fatalf("%v\n%s", err, signed)
	}
	// Two histories that the log never had, proved and signed as they would have to be.
	client := witness.NewClient(target, nil, time.Now)
	defer client.Close()
	head := must(seal.VerifyCheckpoint(w.published(), "log.ponderal.example/"+clinic, string(signed)))(t)
	if _, err := client.AddCheckpoint(ctx, head.Size, nil, head, string(signed)); err != nil {
		t.Errorf("the same head again: %v", err)
	}
	w.refusedByReal(ctx, client, clinic, head)
}

// refusedByReal rewinds the log as a superuser and lets the service itself write another end, which it signs with its own key.
func (w *world) refusedByReal(ctx context.Context, client *witness.Client, clinic string, head seal.Checkpoint) {
	t := w.t
	t.Helper()
	for _, sql := range []string{
		"SET session_replication_role = replica",
		"DELETE FROM ponderal.cosignature WHERE clinic_id = '" + clinic + "'", "DELETE FROM ponderal.checkpoint WHERE clinic_id = '" + clinic + "'",
		"UPDATE ponderal.audit_head SET size = 1, edge = (SELECT substr(nodes, 1, 32) FROM ponderal.audit_entry WHERE clinic_id = '" + clinic +
			"' AND number = 0) WHERE clinic_id = '" + clinic + "'",
		"DELETE FROM ponderal.job_profile WHERE clinic_id = '" + clinic + "'",
		"DELETE FROM ponderal.audit_entry WHERE clinic_id = '" + clinic + "' AND number > 0",
	} {
		must(w.super.Exec(ctx, sql))(t)
	}
	var logged lines
	registry := prometheus.NewRegistry()
	worker := must(witness.NewWorker(witness.Options{Logs: w.cases.Witnessing(), Targets: []witness.Target{client.Target()}, Interval: 50 * time.Millisecond,
		Now: time.Now, Rand: rand.Reader, Logger: slog.New(slog.NewTextHandler(&logged, nil)), Registry: registry}))(t)
	running, stop := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() { defer close(done); worker.Run(running) }()
	defer func() { stop(); <-done }()
	says := func(what string) {
		t.Helper()
		for end := time.Now().Add(30 * time.Second); !strings.Contains(logged.String(), "outcome="+what); time.Sleep(20 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("no alarm %s:\n%s", what, logged.String())
			}
		}
	}
	says("log_shorter")
	w.fillTo(clinic, int(head.Size)+5)
	says("other_log")
	if n := w.ask("SELECT size::text FROM ponderal.cosignature WHERE clinic_id = $1", clinic); len(n) != 0 {
		t.Errorf("a rewritten log was cosigned at %v", n)
	}
}
