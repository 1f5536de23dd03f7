package demo

import (
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
)

const (
	testLog    = "audit.clinic.example"
	testClinic = "01956b2e-0000-7000-8000-000000000001"
)

// provenChange makes a log of seven entries and the step that entry 6, its last, stands for, with a story that knows the log's key.
func provenChange(t *testing.T) (*story, *ponderalv1.ScoreChange) {
	t.Helper()
	key, err := seal.GenerateKey(rand.Reader, seal.UseLog)
	if err != nil {
		t.Fatal(err)
	}
	ring, err := seal.NewRing(key.Public())
	if err != nil {
		t.Fatal(err)
	}
	salt := make([]byte, 32)
	var edge merkle.Edge
	var path []merkle.Hash
	var entry string
	for n := range 7 {
		entry = fmt.Sprintf(`{"action":"trial.correct","actor":{},"at":"2026-03-02T09:15:00Z","clinic_id":"%s","number":%d,"reason":"typed wrong"}`, testClinic, n)
		path = merkle.LastLeafProof(edge)
		if _, err := edge.Append(merkle.LeafHash(salt, []byte(entry))); err != nil {
			t.Fatal(err)
		}
	}
	note, err := seal.SignCheckpoint(t.Context(), key, testLog+"/"+testClinic, edge.Size(), edge.Root())
	if err != nil {
		t.Fatal(err)
	}
	proof := &ponderalv1.EntryProof{Entry: entry, Salt: base64.RawURLEncoding.EncodeToString(salt), Checkpoint: note}
	for _, h := range path {
		proof.Path = append(proof.Path, base64.RawURLEncoding.EncodeToString(h[:]))
	}
	return &story{o: Options{LogName: testLog}, ring: ring},
		&ponderalv1.ScoreChange{Entry: &ponderalv1.AuditEntry{Number: 6, Action: "trial.correct", Reason: "typed wrong"}, Proof: proof}
}

func TestProveAcceptsWhatIsInTheLog(t *testing.T) {
	s, change := provenChange(t)
	head, err := s.prove(testClinic, change)
	if err != nil || head.Size != 7 {
		t.Errorf("prove = size %d, %v; want 7 and no error", head.Size, err)
	}
}

func TestProveRefusesEverythingElse(t *testing.T) {
	cases := map[string]func(s *story, c *ponderalv1.ScoreChange){
		"another reason shown": func(_ *story, c *ponderalv1.ScoreChange) { c.Entry.Reason = "no reason" },
		"another number shown": func(_ *story, c *ponderalv1.ScoreChange) { c.Entry.Number = 5 },
		"another action shown": func(_ *story, c *ponderalv1.ScoreChange) { c.Entry.Action = "session.push" },
		"entry altered in both places": func(_ *story, c *ponderalv1.ScoreChange) {
			c.Entry.Reason, c.Proof.Entry = "no reason", strings.Replace(c.Proof.Entry, "typed wrong", "no reason", 1)
		},
		"another salt":        func(_ *story, c *ponderalv1.ScoreChange) { c.Proof.Salt = strings.Replace(c.Proof.Salt, "A", "B", 1) },
		"a path cut short":    func(_ *story, c *ponderalv1.ScoreChange) { c.Proof.Path = c.Proof.Path[1:] },
		"a hash that is none": func(_ *story, c *ponderalv1.ScoreChange) { c.Proof.Path[0] = "AAAA" },
		"another log":         func(s *story, _ *ponderalv1.ScoreChange) { s.o.LogName = "other.example" },
		"a checkpoint unsigned": func(_ *story, c *ponderalv1.ScoreChange) {
			c.Proof.Checkpoint = strings.SplitAfter(c.Proof.Checkpoint, "\n\n")[0]
		},
		"a checkpoint altered": func(_ *story, c *ponderalv1.ScoreChange) {
			c.Proof.Checkpoint = strings.Replace(c.Proof.Checkpoint, "\n7\n", "\n8\n", 1)
		},
		"keys of somebody else": func(s *story, _ *ponderalv1.ScoreChange) { s.ring = seal.Ring{} },
	}
	for name, spoil := range cases {
		t.Run(name, func(t *testing.T) {
			s, change := provenChange(t)
			before := proto.CloneOf(change)
			spoil(s, change)
			if _, err := s.prove(testClinic, change); err == nil {
				t.Errorf("accepted; was %v", before.GetProof().GetCheckpoint())
			}
		})
	}
	s, change := provenChange(t)
	if _, err := s.prove("01956b2e-0000-7000-8000-000000000002", change); err == nil {
		t.Error("an entry of another clinic is accepted")
	}
}
