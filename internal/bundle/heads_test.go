package bundle

import (
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"filippo.io/torchwood"
	"golang.org/x/mod/sumdb/note"

	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
)

const headOrigin = logName + "/" + clinicID

// grownLog is a clinic's log that is signed at every size, under the maker's key.
type grownLog struct {
	m      *maker
	origin string
	edge   merkle.Edge
	rows   map[int64][]byte
	roots  [][32]byte
}

func (m *maker) grownLog(origin string, entries int, mark string) *grownLog {
	m.t.Helper()
	l := &grownLog{m: m, origin: origin, rows: map[int64][]byte{}, roots: [][32]byte{merkle.EmptyRoot()}}
	return l.grow(entries, mark)
}

func (l *grownLog) grow(entries int, mark string) *grownLog {
	l.m.t.Helper()
	for range entries {
		n := l.edge.Size()
		l.rows[n] = merkle.JoinNodes(must(l.edge.Append(merkle.LeafHash(fmt.Appendf(nil, "%s %d", mark, n))))(l.m.t))
		l.roots = append(l.roots, l.edge.Root())
	}
	return l
}

func (l *grownLog) note(size int) string {
	l.m.t.Helper()
	return must(seal.SignCheckpoint(context.Background(), l.m.logKey, l.origin, int64(size), l.roots[size]))(l.m.t)
}

func (l *grownLog) head(size int) Head {
	l.m.t.Helper()
	return must(OpenHead(l.m.ring, nil, logName, l.note(size)))(l.m.t)
}

func (l *grownLog) proof(older, newer int) *HeadProof {
	l.m.t.Helper()
	reader := merkle.NewReader(func([]int64) (map[int64][]byte, error) { return l.rows, nil })
	path := must(merkle.ConsistencyProof(int64(older), int64(newer), reader))(l.m.t)
	return &HeadProof{OldSize: int64(older), NewSize: int64(newer), OldRoot: l.roots[older], NewRoot: l.roots[newer], Path: path, Checkpoint: l.note(newer)}
}

func TestHeadsHeldAgainstEachOther(t *testing.T) {
	m := newMaker(t)
	log := m.grownLog(headOrigin, 9, "entry")
	rewritten := m.grownLog(headOrigin, 4, "entry").grow(5, "another entry") // from the fifth entry on
	unsigned := func(p *HeadProof) *HeadProof { p.Checkpoint = ""; return p }
	bent := unsigned(log.proof(3, 9))
	bent.Path[1][0] ^= 1
	for _, tt := range []struct {
		name         string
		older, newer Head
		proof        *HeadProof
		want         Verdict
	}{
		{"twice the same", log.head(5), log.head(5), nil, HeadsSame},
		{"just the same: rewritten after it", log.head(4), rewritten.head(4), nil, HeadsSame},
		{"same size, other entries", log.head(5), rewritten.head(5), nil, HeadsFork},
		{"grown, no proof", log.head(3), log.head(9), nil, HeadsNeedProof},
		{"grown", log.head(3), log.head(9), log.proof(3, 9), HeadsConsistent},
		{"grown by one", log.head(8), log.head(9), log.proof(8, 9), HeadsConsistent},
		{"grown from one entry", log.head(1), log.head(9), log.proof(1, 9), HeadsConsistent},
		{"the proof's own head is not needed", log.head(3), log.head(9), unsigned(log.proof(3, 9)), HeadsConsistent},
		{"rewritten after the older head", log.head(4), rewritten.head(9), rewritten.proof(4, 9), HeadsConsistent},
		{"rewritten before it, with its own proof", log.head(5), rewritten.head(9), rewritten.proof(5, 9), HeadsNotProved},
		{"rewritten before it, with the proof of the old log", log.head(5), rewritten.head(9), unsigned(log.proof(5, 9)), HeadsNotProved},
		{"rewritten, and the proof brings a signed head of the other", log.head(5), rewritten.head(9), log.proof(5, 9), HeadsFork},
		{"rewritten, and the proof brings the older head signed anew", log.head(5), rewritten.head(9), rewritten.withHead(5, 9, 5), HeadsFork},
		{"a hash of the proof altered", log.head(3), log.head(9), bent, HeadsNotProved},
		{"the proof of other sizes", log.head(3), log.head(9), log.proof(3, 8), HeadsNeedProof},
		{"exchanged", log.head(9), log.head(3), log.proof(3, 9), HeadsReversed},
	} {
		r, err := CompareHeads(m.ring, tt.older, tt.newer, tt.proof)
		if err != nil || r.Verdict != tt.want || r.Why == "" {
			t.Errorf("%s: %s (%s), %v, want %s", tt.name, r.Verdict, r.Why, err, tt.want)
		}
		if ok := tt.want == HeadsSame || tt.want == HeadsConsistent; r.OK() != ok {
			t.Errorf("%s: OK %v", tt.name, r.OK())
		}
	}
	other := m.grownLog(logName+"/"+otherID, 9, "entry")
	if _, err := CompareHeads(m.ring, log.head(3), other.head(9), other.proof(3, 9)); !errors.Is(err, ErrHead) {
		t.Errorf("heads of two logs: %v", err)
	}
	// A head of another log that comes with the proof says nothing of this one.
	mixed := log.proof(3, 9)
	mixed.Checkpoint = other.note(9)
	if r, err := CompareHeads(m.ring, log.head(3), log.head(9), mixed); err != nil || r.Verdict != HeadsConsistent {
		t.Errorf("a proof with another log's head: %s, %v", r.Verdict, err)
	}
}

// withHead is a proof that carries the head of another size.
func (l *grownLog) withHead(older, newer, signed int) *HeadProof {
	p := l.proof(older, newer)
	p.Checkpoint = l.note(signed)
	return p
}

func TestHeadsThatAreNone(t *testing.T) {
	m := newMaker(t)
	log := m.grownLog(headOrigin, 3, "entry")
	good := log.note(3)
	foreign := newMaker(t)
	foreign.logKey = must(seal.GenerateKey(seeded(9), seal.UseLog))(t)
	text := seal.Checkpoint{Origin: headOrigin, Size: 3, Root: log.roots[3]}.Text()
	_, mine, _ := strings.Cut(good, "\n\n")
	_, elsewhere, _ := strings.Cut(must(seal.SignCheckpoint(context.Background(), m.logKey, logName+"/"+otherID, 3, log.roots[3]))(t), "\n\n")
	for name, c := range map[string]struct {
		note string
		want error
	}{
		"as it is":                       {good, nil},
		"another key":                    {foreign.grownLog(headOrigin, 3, "entry").note(3), seal.ErrUnknownKey},
		"another log name":               {m.grownLog("log.other.example/"+clinicID, 3, "entry").note(3), ErrHead},
		"no clinic":                      {m.grownLog(logName, 3, "entry").note(3), ErrHead},
		"a size altered":                 {strings.Replace(good, "\n3\n", "\n4\n", 1), seal.ErrSignature},
		"signed as the head of two logs": {text + "\n" + mine + elsewhere, ErrHead},
		"two origins in the text":        {headOrigin + "\n" + logName + "/" + otherID + "\n" + good[len(headOrigin)+1:], ErrHead},
		"under another log's name":       {text + "\n" + elsewhere, ErrHead},
		"nothing":                        {"", ErrHead},
		"line ends of another system":    {strings.ReplaceAll(good, "\n", "\r\n"), ErrHead},
		"control characters":             {strings.Replace(good, "log.", "log\x1b[2J.", 1), ErrHead},
	} {
		_, err := OpenHead(m.ring, nil, logName, c.note)
		if !errors.Is(err, c.want) || c.want != nil && !errors.Is(err, ErrHead) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
	if _, err := OpenHead(m.ring, nil, "", m.grownLog("log.other.example/"+clinicID, 3, "entry").note(3)); err != nil {
		t.Errorf("any log name: %v", err)
	}
}

// TestHeadsNameTheirWitnesses: cosignatures by filippo.io/torchwood are told apart from signatures that nobody can check.
func TestHeadsNameTheirWitnesses(t *testing.T) {
	m := newMaker(t)
	log := m.grownLog(headOrigin, 3, "entry")
	one, two := cosignerOf(t, 1, "witness.example/one"), cosignerOf(t, 2, "witness.example/two")
	text := log.head(3).Text()
	line := func(s note.Signer, text string) string {
		signed := must(note.Sign(&note.Note{Text: text}, s))(t)
		_, block, _ := strings.Cut(string(signed), "\n\n")
		return block
	}
	known := []seal.Witness{must(seal.ParseWitness(one.Verifier().String()))(t)}
	signed := seal.AddCosignatures(log.note(3), line(one, text), line(two, text))
	h, err := OpenHead(m.ring, known, logName, signed)
	if err != nil || len(h.By) != 1 || h.By[0].Witness.Name() != "witness.example/one" || len(h.Others) != 1 || h.Others[0] != "witness.example/two" {
		t.Fatalf("%+v, %v", h, err)
	}
	r := must(CompareHeads(m.ring, h, log.head(3), nil))(t)
	var out strings.Builder
	if err := r.WriteText(&out); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"THE SAME", "cosigned by witness.example/one at ", "verified", "names witness.example/two: not verified"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("lacks %q:\n%s", want, &out)
		}
	}
	forged := seal.AddCosignatures(log.note(3), line(one, log.head(2).Text()))
	if _, err := OpenHead(m.ring, known, logName, forged); !errors.Is(err, ErrHead) || !errors.Is(err, seal.ErrSignature) {
		t.Errorf("the witness's cosignature of another head: %v", err)
	}
	if h, err := OpenHead(m.ring, nil, logName, forged); err != nil || len(h.Others) != 1 {
		t.Errorf("the same, of a witness that nobody named: %+v, %v", h, err)
	}
}

func cosignerOf(t testing.TB, seed byte, name string) *torchwood.CosignatureSigner {
	t.Helper()
	raw := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(seeded(seed), raw); err != nil {
		t.Fatal(err)
	}
	return must(torchwood.NewCosignatureSigner(name, ed25519.NewKeyFromSeed(raw)))(t)
}

// TestHeadsSayWhatToDo: every verdict has a title; those that are not good say what it means and what to do, and the one that lacks a proof how to get it.
func TestHeadsSayWhatToDo(t *testing.T) {
	m := newMaker(t)
	log, rewritten := m.grownLog(headOrigin, 9, "entry"), m.grownLog(headOrigin, 9, "another entry")
	request := "/v1/log/" + clinicID + "/consistency?oldSize=3&newSize=9"
	for _, tt := range []struct {
		older, newer Head
		proof        *HeadProof
		want         []string
	}{
		{log.head(3), log.head(9), log.proof(3, 9), []string{"CONSISTENT", "only grown", "3 entries", "9 entries", headOrigin}},
		{log.head(3), rewritten.head(3), nil, []string{"FORK", "What it means", "keep both files", "auditor", "witnesses"}},
		{log.head(3), log.head(9), nil, []string{"NOT DECIDED YET", "GET " + request, "curl -H", "https://SERVICE" + request, "-proof proof.json"}},
		{log.head(3), rewritten.head(9), rewritten.proof(3, 9), []string{"NOT PROVED", "What to do", "GET " + request}},
		{log.head(9), log.head(3), nil, []string{"REVERSED", "exchange the two files"}},
	} {
		r := must(CompareHeads(m.ring, tt.older, tt.newer, tt.proof))(t)
		var out strings.Builder
		if err := r.WriteText(&out); err != nil {
			t.Fatal(err)
		}
		for _, want := range tt.want {
			if !strings.Contains(strings.Join(strings.Fields(out.String()), " "), want) {
				t.Errorf("%s lacks %q:\n%s", r.Verdict, want, &out)
			}
		}
	}
	marked := m.logKey.Public()
	marked.CompromisedFrom = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	m.ring = must(seal.NewRing(m.resultKey.Public(), marked))(t)
	var out strings.Builder
	r := must(CompareHeads(m.ring, log.head(3), log.head(3), nil))(t)
	if err := r.WriteText(&out); err != nil || strings.Count(strings.Join(strings.Fields(out.String()), " "), "marked compromised from 2026-03-01") != 1 {
		t.Errorf("a compromised key: %v\n%s", err, &out)
	}
}

func TestParseHeadProof(t *testing.T) {
	m := newMaker(t)
	log := m.grownLog(headOrigin, 9, "entry")
	p := log.proof(3, 9)
	file := map[string]any{"oldSize": "3", "newSize": "9", "oldRoot": base64.RawURLEncoding.EncodeToString(p.OldRoot[:]),
		"newRoot": base64.RawURLEncoding.EncodeToString(p.NewRoot[:]), "checkpoint": p.Checkpoint}
	var path []string
	for _, h := range p.Path {
		path = append(path, base64.RawURLEncoding.EncodeToString(h[:]))
	}
	file["path"] = path
	doc := must(json.MarshalIndent(file, " ", "  "))(t)
	got, err := ParseHeadProof(doc)
	if err != nil || fmt.Sprint(got) != fmt.Sprint(*p) {
		t.Errorf("%v, %v, want %v", got, err, *p)
	}
	for name, spoil := range map[string]func(map[string]any){
		"no size":           func(f map[string]any) { delete(f, "oldSize") },
		"size 0":            func(f map[string]any) { f["oldSize"] = "0" },
		"a number for text": func(f map[string]any) { f["newSize"] = 9 },
		"leading zeros":     func(f map[string]any) { f["newSize"] = "09" },
		"no root":           func(f map[string]any) { delete(f, "newRoot") },
		"a short root":      func(f map[string]any) { f["newRoot"] = "AAAA" },
		"loose base64":      func(f map[string]any) { f["oldRoot"] = f["oldRoot"].(string) + "=" },
		"a short hash":      func(f map[string]any) { f["path"] = []string{"AAAA"} },
		"a path of numbers": func(f map[string]any) { f["path"] = []int{1} },
		"a further member":  func(f map[string]any) { f["more"] = 1 },
		"snake case":        func(f map[string]any) { f["old_size"] = f["oldSize"]; delete(f, "oldSize") },
	} {
		spoiled := map[string]any{}
		for k, v := range file {
			spoiled[k] = v
		}
		spoil(spoiled)
		if _, err := ParseHeadProof(must(json.Marshal(spoiled))(t)); !errors.Is(err, ErrHeadProof) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, text := range []string{"", "[]", "null", "x", string(doc) + string(doc), `{"oldSize":"1","oldSize":"1"}`} {
		if _, err := ParseHeadProof([]byte(text)); !errors.Is(err, ErrHeadProof) {
			t.Errorf("%.20q: %v", text, err)
		}
	}
}

// FuzzParseHeadProof: what is taken is a proof that can be looked at: sizes from 1 on, whole hashes.
func FuzzParseHeadProof(f *testing.F) {
	root := strings.Repeat("A", 43)
	f.Add([]byte(`{"oldSize":"1","newSize":"2","oldRoot":"` + root + `","newRoot":"` + root + `","path":["` + root + `"],"checkpoint":"x"}`))
	f.Add([]byte(`{}`))
	m := newMaker(f)
	log := m.grownLog(headOrigin, 2, "entry")
	older, newer := log.head(1), log.head(2)
	f.Fuzz(func(t *testing.T, doc []byte) {
		p, err := ParseHeadProof(doc)
		if err != nil {
			return
		}
		if p.OldSize < 1 || p.NewSize < 1 {
			t.Errorf("sizes %d, %d", p.OldSize, p.NewSize)
		}
		// No proof but the right one leads from one head to the other.
		r, err := CompareHeads(m.ring, older, newer, &p)
		if err != nil || r.OK() && (p.OldRoot != older.Root || p.NewRoot != newer.Root || len(p.Path) == 0) {
			t.Errorf("%s, %v", r.Verdict, err)
		}
	})
}
