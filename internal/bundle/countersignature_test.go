package bundle

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

const secondID = "018f0000-0000-7000-8000-0000000000d2"

// seconding is how a countersignature is made: what it says, and the entry that writes it.
type seconding struct {
	doc   record.CountersignatureDocument
	entry record.Entry
	key   seal.Key
	// edit changes what is enclosed at the end.
	edit func(*Countersignature)
}

// countersigned adds a countersignature to a bundle; change, when not nil, changes it before it is signed and logged.
func (m *maker) countersigned(b Bundle, change func(*seconding)) Bundle {
	t := m.t
	t.Helper()
	s := seconding{
		doc: record.CountersignatureDocument{Format: record.CountersignatureFormat, ID: otherID, ClinicID: clinicID, ResultID: resultID,
			ResultDigest: JWSDigest(b.JWS), Signature: record.Signature{MemberID: secondID, Name: "Jo Lindqvist", Role: record.RoleReviewer,
				At: at("2026-03-04T15:00:00Z"), Meaning: record.MeaningCountersigned}},
		entry: record.Entry{ClinicID: clinicID, Number: 5, At: at("2026-03-04T15:00:00Z"), Action: record.ActionResultCountersign,
			Actor: record.Actor{MemberID: secondID, Role: record.RoleReviewer}},
		key: m.resultKey,
	}
	if change != nil {
		change(&s)
	}
	jws := must(seal.SignCountersignature(t.Context(), s.key, must(canon.Marshal(s.doc))(t)))(t)
	file := Bundle{JWS: jws, Salt: make([]byte, saltSize)}
	body := must(canon.Marshal(record.Countersignature{ID: s.doc.ID, ResultID: s.doc.ResultID, JWS: jws}))(t)
	if s.entry.Records == nil {
		s.entry.Records = []record.Written{{Kind: record.KindCountersignature, ID: s.doc.ID, Revision: 1,
			Digest: canon.DigestBase64url(canon.Digest(file.Salt, body))}}
	}
	file.Entry = must(canon.Marshal(s.entry))(t)
	m.log(&file, 5, 1)
	c := Countersignature{JWS: jws, Entry: file.Entry, Salt: file.Salt, Path: file.Path, Checkpoint: file.Checkpoint}
	if s.edit != nil {
		s.edit(&c)
	}
	b.Countersignatures = append(b.Countersignatures, c)
	return b
}

func (m *maker) needing() Bundle {
	doc := m.document()
	doc.CountersignatureNeeded = true
	return m.bundle(doc, 4, 2, nil)
}

// TestCountersignatureVerifies: through the file, in both spellings of whoever saved it, and named in the report.
func TestCountersignatureVerifies(t *testing.T) {
	m := newMaker(t)
	b := m.countersigned(m.needing(), nil)
	again := must(Decode(must(Encode(b))(t)))(t)
	if diff := cmp.Diff(b, again); diff != "" {
		t.Fatal(diff)
	}
	r, err := Verify(m.ring, again, logName)
	if err != nil || len(r.Countersignatures) != 1 {
		t.Fatalf("%v, %+v", err, r.Countersignatures)
	}
	var text strings.Builder
	if err := r.WriteText(&text); err != nil || !strings.Contains(text.String(), "Also by     Jo Lindqvist (reviewer) on 2026-03-04 15:00 UTC, who checked the signed result") {
		t.Errorf("%v\n%s", err, text.String())
	}
}

// TestCountersignatureNeeded: a result that awaits one fails without it, and one that does not need it holds.
func TestCountersignatureNeeded(t *testing.T) {
	m := newMaker(t)
	wantFailure(t, m.ring, m.needing(), "", "countersignatures")
	if _, err := Verify(m.ring, m.bundle(m.document(), 4, 2, nil), ""); err != nil {
		t.Error(err)
	}
}

// TestCountersignatureRefused changes one thing at a time.
func TestCountersignatureRefused(t *testing.T) {
	m := newMaker(t)
	stranger := must(seal.GenerateKey(seeded(9), seal.UseResult))(t)
	for name, change := range map[string]func(*seconding){
		"by the signer": func(s *seconding) {
			s.doc.Signature.MemberID, s.entry.Actor.MemberID = memberID, memberID
		},
		"entry by another": func(s *seconding) { s.entry.Actor.MemberID = otherID },
		"in another role": func(s *seconding) {
			s.doc.Signature.Role, s.entry.Actor.Role = record.RoleEvaluator, record.RoleEvaluator
		},
		"another meaning":         func(s *seconding) { s.doc.Signature.Meaning = record.MeaningReviewed },
		"over another result":     func(s *seconding) { s.doc.ResultDigest = JWSDigest("x") },
		"names another result":    func(s *seconding) { s.doc.ResultID = otherID },
		"of another clinic":       func(s *seconding) { s.doc.ClinicID = otherID },
		"another format":          func(s *seconding) { s.doc.Format = "ponderal-countersignature-2" },
		"unknown key":             func(s *seconding) { s.key = stranger },
		"entry of another action": func(s *seconding) { s.entry.Action = record.ActionResultSign },
		"entry of another clinic": func(s *seconding) { s.entry.ClinicID = otherID },
		"entry with another digest": func(s *seconding) {
			s.entry.Records = []record.Written{{Kind: record.KindCountersignature, ID: otherID, Revision: 1, Digest: "x"}}
		},
		"recorded an hour later": func(s *seconding) { s.entry.At = at("2026-03-04T16:00:00Z") },
		"dated before the result": func(s *seconding) {
			s.doc.Signature.At, s.entry.At = at("2026-03-04T11:00:00Z"), at("2026-03-04T11:00:00Z")
		},
		"another place": func(s *seconding) { s.entry.Number = 4 },
		"no path":       func(s *seconding) { s.edit = func(c *Countersignature) { c.Path = nil } },
		"another salt": func(s *seconding) {
			s.edit = func(c *Countersignature) { c.Salt = make([]byte, saltSize); c.Salt[0] = 1 }
		},
		"a result's JWS": func(s *seconding) {
			s.edit = func(c *Countersignature) { c.JWS = m.bundle(m.document(), 4, 2, nil).JWS }
		},
		"unsigned head": func(s *seconding) {
			s.edit = func(c *Countersignature) { c.Checkpoint, _, _ = strings.Cut(c.Checkpoint, "\n\n") }
		},
		"entry with space": func(s *seconding) { s.edit = func(c *Countersignature) { c.Entry = append(c.Entry, ' ') } },
	} {
		t.Run(name, func(t *testing.T) {
			wantFailure(t, m.ring, m.countersigned(m.bundle(m.document(), 4, 2, nil), change), "", "countersignatures")
		})
	}
	twice := m.countersigned(m.countersigned(m.needing(), nil), func(s *seconding) { s.doc.ID = memberID })
	wantFailure(t, m.ring, twice, "", "countersignatures")
}

// TestCountersignatureFile: its member holds nothing but its own members.
func TestCountersignatureFile(t *testing.T) {
	m := newMaker(t)
	good := string(must(Encode(m.countersigned(m.needing(), nil)))(t))
	for name, bad := range map[string]string{
		"not a list": strings.Replace(good, `"countersignatures":[`, `"countersignatures":{"a":[`, 1),
		"more":       strings.Replace(good, `"countersignatures":[{`, `"countersignatures":[{"a":1,`, 1),
		"no text":    strings.Replace(good, `"countersignatures":[{`, `"countersignatures":[{},{`, 1),
	} {
		if name == "not a list" {
			bad = strings.Replace(bad, `}],"e`, `}]},"e`, 1)
		}
		if _, err := Decode([]byte(bad)); err == nil {
			t.Errorf("%s was read", name)
		}
	}
}
