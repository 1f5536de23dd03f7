// Package witnesstest is a witness of audit logs, for tests: it keeps strictly to the text of C2SP tlog-witness and tlog-cosignature and takes nothing
// from the service's own packages. What it checks, it checks with golang.org/x/mod/sumdb and filippo.io/torchwood.
package witnesstest

import (
	"crypto/ed25519"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"sync"

	"filippo.io/torchwood"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// Witness is an http.Handler with the submission prefix "/". Safe for concurrent use.
type Witness struct {
	signer *torchwood.CosignatureSigner

	mu   sync.Mutex
	keys map[string]note.Verifiers // of the logs that it knows, by origin
	seen map[string]tlog.Tree      // the largest head that it cosigned, by origin
	// asked counts the requests that it read.
	asked int
}

// New makes a witness of that name with a key of its own.
func New(name string, rand io.Reader) (*Witness, error) {
	_, private, err := ed25519.GenerateKey(rand)
	if err != nil {
		return nil, fmt.Errorf("make witness: %w", err)
	}
	signer, err := torchwood.NewCosignatureSigner(name, private)
	if err != nil {
		return nil, fmt.Errorf("make witness: %w", err)
	}
	return &Witness{signer: signer, keys: map[string]note.Verifiers{}, seen: map[string]tlog.Tree{}}, nil
}

// Key is the verifier key that others verify its cosignatures with.
func (w *Witness) Key() string { return w.signer.Verifier().String() }

// Trust makes it know a log by the origin that is the name on the log's verifier key.
func (w *Witness) Trust(vkeys ...string) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, vkey := range vkeys {
		v, err := note.NewVerifier(vkey)
		if err != nil {
			return fmt.Errorf("trust log: %w", err)
		}
		w.keys[v.Name()] = note.VerifierList(v)
	}
	return nil
}

// Seen is the largest head of a log that it cosigned, and how many requests it has read of all logs.
func (w *Witness) Seen(origin string) (head tlog.Tree, asked int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.seen[origin], w.asked
}

// Forget makes it lose what it has seen of a log, as a witness that was set back would.
func (w *Witness) Forget(origin string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.seen, origin)
}

// Cosign has the witness cosign the head of a log that it trusts and has never seen, and returns the line.
func (w *Witness) Cosign(signed string) (string, error) {
	a := w.addCheckpoint("old 0\n\n" + signed)
	if a.status != http.StatusOK {
		return "", fmt.Errorf("cosign: status %d", a.status)
	}
	return a.text, nil
}

// answer is what a request gets.
type answer struct {
	status      int
	contentType string
	text        string
}

// ServeHTTP answers add-checkpoint.
func (w *Witness) ServeHTTP(rw http.ResponseWriter, r *http.Request) {
	if r.URL.Path != "/add-checkpoint" || r.Method != http.MethodPost {
		http.Error(rw, "no such call", http.StatusNotFound)
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(rw, r.Body, 64<<10))
	if err != nil {
		http.Error(rw, "the request cannot be read", http.StatusBadRequest)
		return
	}
	a := w.addCheckpoint(string(body))
	if a.contentType != "" {
		rw.Header().Set("Content-Type", a.contentType)
	}
	rw.WriteHeader(a.status)
	_, _ = io.WriteString(rw, a.text)
}

// request is a request of add-checkpoint.
type request struct {
	old   int64
	proof tlog.TreeProof
	note  string
}

// parse reads a request in the one form that the text allows.
func parse(body string) (request, bool) {
	header, signed, ok := strings.Cut(body, "\n\n")
	lines := strings.Split(header, "\n")
	size, isOld := strings.CutPrefix(lines[0], "old ")
	old, err := strconv.ParseInt(size, 10, 64)
	if !ok || !isOld || err != nil || old < 0 || strconv.FormatInt(old, 10) != size || len(lines)-1 > 63 || old == 0 && len(lines) > 1 {
		return request{}, false
	}
	r := request{old: old, note: signed}
	for _, line := range lines[1:] {
		h, err := tlog.ParseHash(line)
		if err != nil || h.String() != line {
			return request{}, false
		}
		r.proof = append(r.proof, h)
	}
	return r, true
}

// addCheckpoint checks in the order of the text, and records before it answers; the lock makes the two one step.
func (w *Witness) addCheckpoint(body string) answer {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.asked++
	r, ok := parse(body)
	if !ok {
		return answer{status: http.StatusBadRequest}
	}
	origin, _, _ := strings.Cut(r.note, "\n")
	keys, known := w.keys[origin]
	if !known {
		return answer{status: http.StatusNotFound}
	}
	opened, err := note.Open([]byte(r.note), keys)
	if err != nil {
		return answer{status: http.StatusForbidden}
	}
	head, err := torchwood.ParseCheckpoint(opened.Text)
	if err != nil || head.Origin != origin || r.old > head.N {
		return answer{status: http.StatusBadRequest}
	}
	last := w.seen[origin]
	switch {
	case r.old != last.N:
		return answer{http.StatusConflict, "text/x.tlog.size", fmt.Sprintf("%d\n", last.N)}
	case r.old == head.N && r.old > 0 && last.Hash != head.Hash:
		return answer{status: http.StatusConflict}
	case r.old > 0 && tlog.CheckTree(r.proof, head.N, head.Hash, r.old, last.Hash) != nil:
		return answer{status: http.StatusUnprocessableEntity}
	}
	signed, err := note.Sign(&note.Note{Text: opened.Text}, w.signer)
	if err != nil {
		return answer{status: http.StatusInternalServerError}
	}
	w.seen[origin] = head.Tree
	_, lines, _ := strings.Cut(string(signed), "\n\n")
	return answer{status: http.StatusOK, text: lines}
}
