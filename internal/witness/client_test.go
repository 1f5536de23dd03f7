package witness

import (
	"context"
	"crypto/rand"
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"filippo.io/torchwood"
	"golang.org/x/mod/sumdb/note"

	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/witness/witnesstest"
)

// TestStrictWitnessCosigns: a witness that keeps to the text of C2SP tlog-witness is told of a log from its beginning, of its growth, and of the same
// head again.
func TestStrictWitnessCosigns(t *testing.T) {
	log := newMemory(t, "log.clinic.example/1")
	w, target := strict(t, "witness.example/one", log)
	c := clientOf(t, target)
	var old int64
	for _, more := range []int{1, 4, 0, 300} {
		log.grow(t, more, "entry")
		head, signed := log.head(t)
		got, err := c.AddCheckpoint(context.Background(), old, log.proof(t, old), head, signed)
		if err != nil {
			t.Fatalf("from %d to %d: %v", old, head.Size, err)
		}
		if seen, _ := w.Seen(log.origin); seen.N != head.Size || seen.Hash != head.Root || got.Witness.Name() != "witness.example/one" {
			t.Errorf("the witness has seen %v, want %v; %v", seen, head, got)
		}
		// The note with the line added is one that the other implementation's verifier takes.
		n, err := note.Open([]byte(seal.AddCosignatures(signed, got.Line)), note.VerifierList(must(note.NewVerifier(log.vkey))(t), target.Key))
		if err != nil || len(n.Sigs) != 2 {
			t.Errorf("the note with the cosignature: %v", err)
		}
		old = head.Size
	}
}

func TestStrictWitnessRefuses(t *testing.T) {
	log := newMemory(t, "log.clinic.example/1").grow(t, 5, "entry")
	stranger := newMemory(t, "log.clinic.example/2").grow(t, 5, "entry")
	rekeyed := newMemory(t, log.origin).grow(t, 5, "entry")
	_, target := strict(t, "witness.example/one", log)
	c := clientOf(t, target)
	send := func(m *memory, old int64, path []merkle.Hash) error {
		head, signed := m.head(t)
		_, err := c.AddCheckpoint(context.Background(), old, path, head, signed)
		return err
	}
	var other *OtherSizeError
	if err := send(log, 3, log.proof(t, 3)); !errors.As(err, &other) || other.Size != 0 {
		t.Errorf("a size that it never saw: %v", err)
	}
	if err := send(log, 0, nil); err != nil {
		t.Fatal(err)
	}
	short := log.fork(t, 3, 0)
	for _, tt := range []struct {
		name string
		err  error
		want error
	}{
		{"a log that it does not know", send(stranger, 0, nil), ErrUnknownLog},
		{"a key that it does not trust", send(rekeyed, 5, nil), ErrRefusedKey},
		{"another root of the same size", send(log.fork(t, 4, 1), 5, nil), ErrRefusedProof},
		{"a log rewritten and grown", send(log.fork(t, 4, 3), 5, log.fork(t, 4, 3).proof(t, 5)), ErrRefusedProof},
		{"the right log with the proof of another", send(log.fork(t, 5, 3), 5, log.fork(t, 4, 4).proof(t, 5)), ErrRefusedProof},
		{"no proof", send(log.fork(t, 5, 3), 5, nil), ErrRefusedProof},
		{"sizes reversed", send(short, 5, nil), merkle.ErrRange},
		{"a proof from nothing", send(log, 0, log.proof(t, 3)), merkle.ErrRange},
		{"a negative size", send(log, -1, nil), merkle.ErrRange},
		{"too many hashes", send(log, 3, make([]merkle.Hash, 64)), merkle.ErrRange},
	} {
		if !errors.Is(tt.err, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, tt.err, tt.want)
		}
	}
	if err := send(log.fork(t, 5, 3), 5, log.fork(t, 5, 3).proof(t, 5)); err != nil {
		t.Errorf("the log just grown: %v", err)
	}
	if err := send(short, 3, nil); !errors.As(err, &other) || other.Size != 8 {
		t.Errorf("a log that was cut: %v, want that the witness knows 8", err)
	}
}

// hostile answers whatever a test likes.
func hostile(answer func(http.ResponseWriter, *http.Request)) http.Handler {
	return http.HandlerFunc(answer)
}

// cosignedBy is the line of a signer over a text.
func cosignedBy(t testing.TB, w *torchwood.CosignatureSigner, text string) string {
	t.Helper()
	signed := must(note.Sign(&note.Note{Text: text}, w))(t)
	_, line, _ := strings.Cut(string(signed), "\n\n")
	return line
}

// TestHostileWitnesses: whatever comes back that is not the witness's cosignature of this very head is refused, within bounds.
func TestHostileWitnesses(t *testing.T) {
	log := newMemory(t, "log.clinic.example/1").grow(t, 5, "entry")
	head, signed := log.head(t)
	_, private := edKey(t)
	signer := must(torchwood.NewCosignatureSigner("witness.example/one", private))(t)
	_, otherPrivate := edKey(t)
	other := must(torchwood.NewCosignatureSigner("witness.example/one", otherPrivate))(t)
	key := must(seal.ParseWitness(signer.Verifier().String()))(t)
	rewritten := head
	rewritten.Root[0]++
	elsewhere := head
	elsewhere.Origin = "log.clinic.example/2"
	own, foreign := cosignedBy(t, signer, head.Text()), cosignedBy(t, other, head.Text())
	text := func(status int, contentType, body string) http.Handler {
		return hostile(func(rw http.ResponseWriter, _ *http.Request) {
			rw.Header().Set("Content-Type", contentType)
			rw.WriteHeader(status)
			_, _ = io.WriteString(rw, body)
		})
	}
	const plain = "text/plain"
	for _, tt := range []struct {
		name    string
		handler http.Handler
		want    error
	}{
		{"its cosignature", text(200, plain, own), nil},
		{"its cosignature after those of keys we do not know", text(200, plain, foreign+own), nil},
		{"another key under its name", text(200, plain, foreign), ErrCosignature},
		{"a cosignature of another root", text(200, plain, cosignedBy(t, signer, rewritten.Text())), ErrCosignature},
		{"a cosignature of another log", text(200, plain, cosignedBy(t, signer, elsewhere.Text())), ErrCosignature},
		{"a head of two logs, cosigned", text(200, plain, cosignedBy(t, signer, head.Text()+elsewhere.Origin+"\n")), ErrCosignature},
		{"a cosignature of another root before its own", text(200, plain, cosignedBy(t, signer, rewritten.Text())+own), ErrCosignature},
		{"its cosignature before what is no line", text(200, plain, own+"x\n"), nil},
		{"its cosignature after what is no line", text(200, plain, "x\n"+own), ErrCosignature},
		{"nothing", text(200, plain, ""), ErrCosignature},
		{"a page", text(200, "text/html", "<html>welcome</html>"), ErrCosignature},
		{"a line without end", text(200, plain, strings.TrimSuffix(own, "\n")), ErrCosignature},
		{"just not too much", text(200, plain, strings.Repeat(foreign, (maxAnswer-len(own))/len(foreign))+own), nil},
		{"too much", text(200, plain, own+strings.Repeat(foreign, maxAnswer/len(foreign))), ErrAnswer},
		{"without end", hostile(func(rw http.ResponseWriter, _ *http.Request) {
			for range 4 * maxAnswer / 1024 {
				_, _ = rw.Write(make([]byte, 1024))
			}
		}), ErrAnswer},
		{"an error of its own", text(500, plain, own), ErrAnswer},
		{"another success", text(202, plain, own), ErrAnswer},
		{"a redirect", hostile(func(rw http.ResponseWriter, r *http.Request) {
			http.Redirect(rw, r, "/elsewhere", http.StatusTemporaryRedirect)
		}), ErrAnswer},
		{"a redirect that keeps no body", hostile(func(rw http.ResponseWriter, r *http.Request) {
			if r.Method == http.MethodGet {
				_, _ = io.WriteString(rw, own)
				return
			}
			http.Redirect(rw, r, "/add-checkpoint", http.StatusSeeOther)
		}), ErrAnswer},
		{"a conflict that names no size", text(409, sizeType, "many\n"), ErrAnswer},
		{"a conflict with a negative size", text(409, sizeType, "-1\n"), ErrAnswer},
		{"a conflict with leading zeros", text(409, sizeType, "07\n"), ErrAnswer},
		{"a conflict over the size it was told", text(409, sizeType, "3\n"), ErrAnswer},
		{"a conflict without a word", text(409, plain, ""), ErrAnswer},
		{"a bad request", text(400, plain, ""), ErrAnswer},
	} {
		c := clientOf(t, Target{URL: served(t, tt.handler), Key: key})
		_, err := c.AddCheckpoint(context.Background(), 3, log.proof(t, 3), head, signed)
		if !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
		}
	}
}

// TestWitnessThatHangs: the caller's time ends the wait.
func TestWitnessThatHangs(t *testing.T) {
	log := newMemory(t, "log.clinic.example/1").grow(t, 1, "entry")
	head, signed := log.head(t)
	w := must(witnesstest.New("witness.example/one", rand.Reader))(t)
	c := clientOf(t, Target{Key: must(seal.ParseWitness(w.Key()))(t), URL: served(t, hostile(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // so that the end of the connection is noticed
		<-r.Context().Done()
	}))})
	ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
	defer cancel()
	began := time.Now()
	_, err := c.AddCheckpoint(ctx, 0, nil, head, signed)
	if took := time.Since(began); !errors.Is(err, context.DeadlineExceeded) || took > 5*time.Second {
		t.Errorf("%v after %v", err, took)
	}
	if c.http.Timeout != askWithin {
		t.Errorf("without the caller's the time is %v", c.http.Timeout)
	}
}

// TestCosignatureOfTheFuture: a clock may be ahead a little.
func TestCosignatureOfTheFuture(t *testing.T) {
	log := newMemory(t, "log.clinic.example/1").grow(t, 1, "entry")
	head, signed := log.head(t)
	_, target := strict(t, "witness.example/one", log)
	for ahead, want := range map[time.Duration]error{maxAhead - time.Minute: nil, maxAhead + time.Minute: ErrCosignature} {
		c := NewClient(target, nil, func() time.Time { return time.Now().Add(-ahead) })
		var other *OtherSizeError
		_, err := c.AddCheckpoint(context.Background(), 0, nil, head, signed)
		if errors.As(err, &other) {
			_, err = c.AddCheckpoint(context.Background(), 1, nil, head, signed)
		}
		if !errors.Is(err, want) {
			t.Errorf("a witness whose clock is %v ahead: %v, want %v", ahead, err, want)
		}
		c.Close()
	}
}
