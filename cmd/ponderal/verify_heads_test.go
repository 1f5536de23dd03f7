package main

import (
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"

	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/witness/witnesstest"
)

// kept are files as a payer keeps them, of a log of nine entries and of one that was rewritten from its fifth entry on.
type kept struct {
	t   *testing.T
	dir string
	key seal.Key
}

const keptOrigin = "log.ponderal.example/018f0000-0000-7000-8000-0000000000c1"

func newKept(t *testing.T) *kept {
	t.Helper()
	k := &kept{t: t, dir: t.TempDir()}
	var err error
	if k.key, err = seal.GenerateKey(rand.Reader, seal.UseLog); err != nil {
		t.Fatal(err)
	}
	ring, err := seal.NewRing(k.key.Public())
	if err != nil {
		t.Fatal(err)
	}
	set, err := ring.JWKS()
	if err != nil {
		t.Fatal(err)
	}
	k.file("keys.json", string(set))
	return k
}

func (k *kept) file(name, text string) string {
	k.t.Helper()
	path := filepath.Join(k.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		k.t.Fatal(err)
	}
	return path
}

// head makes the note of a size of a log whose entries are alike up to the given one.
func (k *kept) head(size, alike int) (string, map[int64][]byte) {
	k.t.Helper()
	var edge merkle.Edge
	rows := map[int64][]byte{}
	for i := range size {
		mark := "entry"
		if i >= alike {
			mark = "another entry"
		}
		nodes, err := edge.Append(merkle.LeafHash(fmt.Appendf(nil, "%s %d", mark, i)))
		if err != nil {
			k.t.Fatal(err)
		}
		rows[int64(i)] = merkle.JoinNodes(nodes)
	}
	signed, err := seal.SignCheckpoint(k.t.Context(), k.key, keptOrigin, int64(size), edge.Root())
	if err != nil {
		k.t.Fatal(err)
	}
	return signed, rows
}

// proof is the service's answer, as REST writes it.
func (k *kept) proof(older, newer, alike int) string {
	k.t.Helper()
	signed, rows := k.head(newer, alike)
	before, _ := k.head(older, alike)
	path, err := merkle.ConsistencyProof(int64(older), int64(newer), merkle.NewReader(func([]int64) (map[int64][]byte, error) { return rows, nil }))
	if err != nil {
		k.t.Fatal(err)
	}
	hashes := []string{}
	for _, h := range path {
		hashes = append(hashes, base64.RawURLEncoding.EncodeToString(h[:]))
	}
	rootOf := func(signed string) string {
		root, err := base64.StdEncoding.DecodeString(strings.Split(signed, "\n")[2])
		if err != nil {
			k.t.Fatal(err)
		}
		return base64.RawURLEncoding.EncodeToString(root)
	}
	doc, err := json.Marshal(map[string]any{"oldSize": fmt.Sprint(older), "newSize": fmt.Sprint(newer), "oldRoot": rootOf(before), "newRoot": rootOf(signed),
		"path": hashes, "checkpoint": signed})
	if err != nil {
		k.t.Fatal(err)
	}
	return string(doc)
}

func (k *kept) verify(more ...string) played {
	return play(k.t, nil, "", append([]string{"verify", "-keys", filepath.Join(k.dir, "keys.json")}, more...)...)
}

// TestVerifyHoldsTwoHeadsTogether: what a payer kept on two days, offline.
func TestVerifyHoldsTwoHeadsTogether(t *testing.T) {
	k := newKept(t)
	three, _ := k.head(3, 9)
	five, _ := k.head(5, 9)
	forked, _ := k.head(5, 4)
	nine, _ := k.head(9, 9)
	older, newer := k.file("march.txt", three), k.file("may.txt", nine)
	answer := k.file("answer.json", `{"checkpoint":`+quoted(t, nine)+`,"size":"9"}`)
	proof := k.file("proof.json", k.proof(3, 9, 9))
	for _, tt := range []struct {
		name string
		args []string
		code int
		want string
	}{
		{"grown", []string{"-older", older, "-newer", newer, "-proof", proof}, exitOK, "CONSISTENT"},
		{"grown, the newer head in an answer", []string{"-older", older, "-newer", answer, "-proof", proof, "-log", "log.ponderal.example"}, exitOK, "CONSISTENT"},
		{"the same, with an empty line more", []string{"-older", k.file("more.txt", nine+"\n"), "-newer", newer}, exitOK, "THE SAME"},
		{"the same, without its last line end", []string{"-older", k.file("less.txt", strings.TrimSuffix(nine, "\n")), "-newer", newer}, exitOK, "THE SAME"},
		{"the same", []string{"-older", newer, "-newer", answer}, exitOK, "THE SAME"},
		{"a fork", []string{"-older", k.file("five.txt", five), "-newer", k.file("other.txt", forked)}, exitFailed, "FORK"},
		{"no proof", []string{"-older", older, "-newer", newer}, exitFailed, "curl -H"},
		{"the proof of a log rewritten", []string{"-older", k.file("five.txt", five), "-newer", newer, "-proof", k.file("bad.json", k.proof(5, 9, 4))}, exitFailed, "FORK"},
		{"reversed", []string{"-older", newer, "-newer", older, "-proof", proof}, exitFailed, "REVERSED"},
	} {
		got := k.verify(tt.args...)
		if got.code != tt.code || !strings.Contains(got.out, tt.want) {
			t.Errorf("%s: status %d, want %d and %q\n%s%s", tt.name, got.code, tt.code, tt.want, got.out, got.err)
		}
	}
}

func quoted(t *testing.T, text string) string {
	t.Helper()
	b, err := json.Marshal(text)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestVerifyHeadsAsJSON(t *testing.T) {
	k := newKept(t)
	three, _ := k.head(3, 9)
	w, err := witnesstest.New("witness.example/one", rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	witnesses := k.file("witnesses.txt", "# believed\nhttps://witness.example/one "+w.Key()+"\n")
	nine, _ := k.head(9, 9)
	cosigned := k.file("cosigned.txt", nine+cosignedBy(t, k, w, nine))
	got := k.verify("-older", k.file("a.txt", three), "-newer", cosigned, "-witnesses", witnesses, "-json")
	var report headsJSON
	if err := json.Unmarshal([]byte(got.out), &report); err != nil || got.code != exitFailed {
		t.Fatalf("status %d, %v: %s%s", got.code, err, got.out, got.err)
	}
	if report.Verified || report.Verdict != "proof_needed" || report.Log != keptOrigin || report.Older.Size != 3 || report.Newer.Size != 9 ||
		report.Request != "GET /v1/log/018f0000-0000-7000-8000-0000000000c1/consistency?oldSize=3&newSize=9" {
		t.Errorf("%+v", report)
	}
	if len(report.Older.Witnesses) != 0 || len(report.Newer.Witnesses) != 1 || report.Newer.Witnesses[0].Name != "witness.example/one" {
		t.Errorf("witnesses %+v, %+v", report.Older, report.Newer)
	}
	alone := k.verify("-older", cosigned, "-newer", cosigned)
	if alone.code != exitOK || !strings.Contains(alone.out, "names witness.example/one: not verified") {
		t.Errorf("without -witnesses: status %d\n%s%s", alone.code, alone.out, alone.err)
	}
}

// cosignedBy has a witness cosign a note, through its own front door.
func cosignedBy(t *testing.T, k *kept, w *witnesstest.Witness, signed string) string {
	t.Helper()
	vkey, err := note.NewEd25519VerifierKey(keptOrigin, k.key.Public().Key)
	if err == nil {
		err = w.Trust(vkey)
	}
	if err != nil {
		t.Fatal(err)
	}
	line, err := w.Cosign(signed)
	if err != nil {
		t.Fatal(err)
	}
	return line
}

func TestVerifyHeadsRefusals(t *testing.T) {
	k := newKept(t)
	three, _ := k.head(3, 9)
	good := k.file("good.txt", three)
	elsewhere, err := seal.SignCheckpoint(t.Context(), k.key, "log.ponderal.example/018f0000-0000-7000-8000-0000000000c2", 3, [32]byte{1})
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		args []string
		code int
		want string
	}{
		{"one head", []string{"-older", good}, exitUsage, "go together"},
		{"a proof alone", []string{"-proof", good}, exitUsage, "go together"},
		{"a file besides", []string{"-older", good, "-newer", good, "x.json"}, exitUsage, "does not go with"},
		{"heads of two logs", []string{"-older", good, "-newer", k.file("c2.txt", elsewhere)}, exitFailed, "heads of two logs"},
		{"another log", []string{"-older", good, "-newer", good, "-log", "other.example"}, exitFailed, `only "other.example"`},
		{"not a head", []string{"-older", good, "-newer", k.file("x.txt", "hello\n")}, exitFailed, "x.txt: not a head"},
		{"JSON without a head", []string{"-older", good, "-newer", k.file("x.json", `{"a":1}`)}, exitFailed, "neither a checkpoint nor"},
		{"not a proof", []string{"-older", good, "-newer", good, "-proof", k.file("p.json", "{}")}, exitFailed, "/v1/log/CLINIC_ID/consistency"},
		{"no such file", []string{"-older", good, "-newer", filepath.Join(k.dir, "none.txt")}, exitFailed, "none.txt"},
		{"witnesses that are none", []string{"-older", good, "-newer", good, "-witnesses", k.file("w.txt", "witness.example\n")}, exitFailed, "w.txt: line 1"},
		{"another key set", []string{"-older", good, "-newer", good, "-keys", newKept(t).dir + "/keys.json"}, exitFailed, "is the key set of this service"},
	} {
		got := k.verify(tt.args...)
		if got.code != tt.code || !strings.Contains(got.err, tt.want) || got.out != "" {
			t.Errorf("%s: status %d, want %d and %q\n%s%s", tt.name, got.code, tt.code, tt.want, got.out, got.err)
		}
	}
}
