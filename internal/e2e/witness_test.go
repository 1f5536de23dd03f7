package e2e

import (
	"context"
	"crypto/rand"
	"log/slog"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"filippo.io/torchwood"
	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/mod/sumdb/note"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/witness"
	"ponderal.example/internal/witness/witnesstest"
)

// logKeys are the verifier keys of clinics' logs, as an operator gives them to a witness.
func (w *world) logKeys(clinics ...string) []string {
	w.t.Helper()
	var all []string
	for _, k := range w.published().Keys() {
		for _, clinic := range clinics {
			if k.Use == seal.UseLog {
				all = append(all, must(note.NewEd25519VerifierKey("log.ponderal.example/"+clinic, k.Key))(w.t))
			}
		}
	}
	return all
}

// asking has witnesses asked until the test ends, and returns how to wait until a size of a clinic's log is cosigned by so many.
func (w *world) asking(targets ...witness.Target) (until func(clinic string, size int64, by int)) {
	w.t.Helper()
	worker := must(witness.NewWorker(witness.Options{Logs: w.cases.Witnessing(), Targets: targets, Interval: 50 * time.Millisecond, Now: time.Now,
		Rand: rand.Reader, Logger: slog.New(slog.DiscardHandler), Registry: prometheus.NewRegistry()}))(w.t)
	ctx, cancel := context.WithCancel(w.ctx)
	done := make(chan struct{})
	go func() { defer close(done); worker.Run(ctx) }()
	w.t.Cleanup(func() { cancel(); <-done })
	return func(clinic string, size int64, by int) {
		w.t.Helper()
		for end := time.Now().Add(60 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
			if len(w.ask("SELECT witness FROM ponderal.cosignature WHERE clinic_id = $1 AND size = $2", clinic, size)) == by {
				return
			}
		}
		w.t.Fatalf("size %d of %s was not cosigned by %d in time", size, clinic, by)
	}
}

// targetAt is a witness with its address.
func targetAt(t testing.TB, address, key string) witness.Target {
	t.Helper()
	return must(witness.ParseTargets([]byte(address + " " + key)))(t)[0]
}

// TestWitnessedLog: a log grows while a witness, which keeps to the text of the protocol, is asked about it; who follows the log gets its cosignatures, and
// the clients that are not ours read the checkpoint as before.
func TestWitnessedLog(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.furnish(placeOf(2), westMark, payer)
	clinic, token := placeOf(2).clinic, w.payerToken(payer)
	x := must(witnesstest.New("witness.example/one", rand.Reader))(t)
	if err := x.Trust(w.logKeys(clinic)...); err != nil {
		t.Fatal(err)
	}
	front := httptest.NewServer(x)
	t.Cleanup(front.Close)
	until := w.asking(targetAt(t, front.URL, x.Key()))
	m := w.monitor(clinic, token)
	before := m.head(w, clinic)
	until(clinic, before.N, 1)
	w.fillTo(clinic, 300)
	after := m.head(w, clinic)
	until(clinic, after.N, 1)
	if seen, _ := x.Seen("log.ponderal.example/" + clinic); seen.N != after.N || seen.Hash != after.Hash {
		t.Errorf("the witness has seen %v, want %v", seen, after)
	}
	_, _, signed := m.get("/checkpoint")
	key := must(seal.ParseWitness(x.Key()))(t)
	opened, err := note.Open(signed, note.VerifierList(append(verifiers(t, w.logKeys(clinic)...), key)...))
	if err != nil || len(opened.Sigs) != 2 || opened.Sigs[1].Name != "witness.example/one" {
		t.Fatalf("the served checkpoint: %v\n%s", err, signed)
	}
	if at, err := torchwood.CosignatureTimestamp(opened.Sigs[1]); err != nil || time.Since(time.Unix(at, 0)) > time.Minute {
		t.Errorf("cosigned at %d, %v", at, err)
	}
	// The two clients that nobody here wrote.
	m.head(w, clinic)
	m.secondReader(w, after, before, 3, treeHashes(t, w.leafHash(token, clinic, 3))[0])
	w.listed(clinic, token, signed, after.N)
}

func verifiers(t testing.TB, vkeys ...string) (all []note.Verifier) {
	t.Helper()
	for _, k := range vkeys {
		all = append(all, must(note.NewVerifier(k))(t))
	}
	return all
}

func (w *world) leafHash(token, clinic string, number uint64) string {
	w.t.Helper()
	var leaf pb.GetInclusionProofResponse
	in := &pb.GetInclusionProofRequest{ClinicId: clinic, Number: number}
	if err := w.service.As(token, caller.GRPC).Call(w.ctx, "LogService/GetInclusionProof", in, &leaf); err != nil {
		w.t.Fatal(err)
	}
	return leaf.GetLeafHash()
}

// listed: both transports list what is stored, newest first, page by page; an older cosigned head is had by its size.
func (w *world) listed(clinic, token string, signed []byte, newest int64) {
	t := w.t
	t.Helper()
	stored := len(w.ask("SELECT witness FROM ponderal.cosignature WHERE clinic_id = $1", clinic))
	for _, way := range []caller.Way{caller.GRPC, caller.REST} {
		var all []*pb.Cosignature
		for cursor := ""; ; {
			var page pb.ListCosignaturesResponse
			in := &pb.ListCosignaturesRequest{ClinicId: clinic, Page: &pb.Page{Size: 1, Cursor: cursor}}
			if err := w.service.As(token, way).Call(w.ctx, "LogService/ListCosignatures", in, &page); err != nil || len(page.GetCosignatures()) > 1 {
				t.Fatalf("%s: %d at once, %v", way, len(page.GetCosignatures()), err)
			}
			all = append(all, page.GetCosignatures()...)
			if cursor = page.GetNextCursor(); cursor == "" {
				break
			}
		}
		if len(all) != stored || stored < 2 || int64(all[0].GetSize()) != newest || all[0].GetWitness() != "witness.example/one" ||
			!strings.HasSuffix(string(signed), all[0].GetLine()) || all[1].GetSize() >= all[0].GetSize() {
			t.Errorf("%s: %d of %d: %v", way, len(all), stored, all)
		}
		var proof pb.GetConsistencyProofResponse
		in := &pb.GetConsistencyProofRequest{ClinicId: clinic, OldSize: 1, NewSize: all[len(all)-1].GetSize()}
		if err := w.service.As(token, way).Call(w.ctx, "LogService/GetConsistencyProof", in, &proof); err != nil || !strings.HasSuffix(proof.GetCheckpoint(), all[len(all)-1].GetLine()) {
			t.Errorf("%s: the first cosigned head: %v, %q", way, err, proof.GetCheckpoint())
		}
	}
}

// TestTwoServicesOneWitness: two replicas ask at once; each head is stored once, and neither raises an alarm.
func TestTwoServicesOneWitness(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.furnish(placeOf(2), westMark, payer)
	x := must(witnesstest.New("witness.example/one", rand.Reader))(t)
	if err := x.Trust(w.logKeys(placeOf(2).clinic, record.NetworkClinic)...); err != nil {
		t.Fatal(err)
	}
	front := httptest.NewServer(x)
	t.Cleanup(front.Close)
	target := targetAt(t, front.URL, x.Key())
	until := w.asking(target)
	w.asking(target)
	m := w.monitor(placeOf(2).clinic, w.payerToken(payer))
	for size := m.head(w, placeOf(2).clinic).N; size < 60; size = m.head(w, placeOf(2).clinic).N {
		w.fillTo(placeOf(2).clinic, int(size)+3)
	}
	until(placeOf(2).clinic, m.head(w, placeOf(2).clinic).N, 1)
}
