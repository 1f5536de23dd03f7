package bundle

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

// TestRules1ForEver: the files in testdata were written by the program when it knew the engine's rules 1 only. They verify, whatever rules have
// come since.
func TestRules1ForEver(t *testing.T) {
	read := func(name string) []byte { return must(os.ReadFile(filepath.Join("testdata", name)))(t) }
	ring := must(seal.ParseJWKS(read("rules1_jwks.json")))(t)
	b := must(Decode(read("rules1_bundle.json")))(t)
	r, err := Verify(ring, b, logName)
	if err != nil {
		t.Fatal(err)
	}
	f := r.Document.Finding
	if f.Engine != "1" || f.Job == nil || *f.Capacities[0].Load != lb(t, "35") || r.Document.Session.Series[0].KitID == "" || r.Document.Kits != nil {
		t.Errorf("the old file says otherwise than it did: %+v", f)
	}
	if again := must(Rerun(r.Document))(t); again.Engine != "1" {
		t.Errorf("a finding by rules 1 was made again by rules %s", again.Engine)
	}
}

// TestRulesByName: the finding is made again by the rules that it names. Rules that nobody knows fail the step for it, in words.
func TestRulesByName(t *testing.T) {
	m := newMaker(t)
	for _, rules := range score.Versions() {
		doc := m.document()
		doc.Finding.Engine = rules
		if doc = m.scored(doc); doc.Finding.Engine != rules {
			t.Errorf("scored by rules %q, asked for %q", doc.Finding.Engine, rules)
		}
		if _, err := Verify(m.ring, m.bundle(doc, 4, 2, nil), ""); err != nil {
			t.Errorf("rules %s: %v", rules, err)
		}
	}
	doc := m.document()
	doc.Finding.Engine = "99"
	r, err := Verify(m.ring, m.bundle(doc, 4, 2, nil), "")
	if err == nil {
		t.Fatal("a finding by unknown rules verifies")
	}
	for _, s := range r.Steps {
		if failed := s.Name == "engine"; failed != (s.State == StepFailed) {
			t.Errorf("step %s is %s", s.Name, s.State)
		}
		if s.Name == "engine" && !strings.Contains(s.Why, `rules of version "99"; this program knows versions 1`) {
			t.Errorf("the step says %q", s.Why)
		}
	}
}

// kitted is the small result with a kit that its series names, by rules that look at kits.
func (m *maker) kitted() record.ResultDocument {
	doc := m.document()
	doc.Finding.Engine = "2"
	kit := record.Kit{ID: kitID, ClinicID: clinicID, Name: "Kit 1", Tote: record.Piece{Code: "T", Mass: lb(m.t, "5"), VerifiedOn: "2026-01-05"}}
	doc.Session.Series[0].KitID, doc.Kits = kitID, []record.Kit{kit}
	return doc
}

const kitID = "018f0000-0000-7000-8000-0000000000a9"

// TestKitsEnclosed: a document holds the kits that its series name, each once, in order, of the clinic, and no other; under rules 1 none.
func TestKitsEnclosed(t *testing.T) {
	m := newMaker(t)
	second := func(d *record.ResultDocument, id string) {
		kit := d.Kits[0]
		kit.ID = id
		d.Kits = append(d.Kits, kit)
	}
	cases := map[string]struct {
		edit func(*record.ResultDocument)
		want string
	}{
		"as it should be": {func(*record.ResultDocument) {}, ""},
		"no kit named":    {func(d *record.ResultDocument) { d.Session.Series[0].KitID, d.Kits = "", nil }, ""},
		"rules 1":         {func(d *record.ResultDocument) { d.Finding.Engine, d.Kits = "1", nil }, ""},
		"rules 1 with kit": {func(d *record.ResultDocument) { d.Finding.Engine = "1" },
			"a kit is enclosed that no series names, or that the finding does not rest on"},
		"missing": {func(d *record.ResultDocument) { d.Kits = nil }, "a series names a kit that is not enclosed"},
		"not named": {func(d *record.ResultDocument) { second(d, otherID) },
			"a kit is enclosed that no series names, or that the finding does not rest on"},
		"named none": {func(d *record.ResultDocument) { d.Session.Series[0].KitID = "" }, "a kit is enclosed that no series names, or that the finding does not rest on"},
		"twice":      {func(d *record.ResultDocument) { second(d, kitID) }, "the kits are not each once in order"},
		"of another": {func(d *record.ResultDocument) { d.Kits[0].ClinicID = otherID }, "a kit is not of the clinic"},
	}
	for name, c := range cases {
		doc := m.kitted()
		c.edit(&doc)
		got := ""
		check := checker{report: Report{Document: doc}}
		if err := check.kits(); err != nil {
			got = err.Error()
		}
		if got != c.want {
			t.Errorf("%s: got %q, want %q", name, got, c.want)
		}
	}
	doc := m.kitted()
	doc.Kits = nil
	r, err := Verify(m.ring, m.bundle(doc, 4, 2, nil), "")
	if err == nil || r.Steps[2].Name != "statement" || r.Steps[2].State != StepFailed {
		t.Errorf("without its kit: %v, %+v", err, r.Steps)
	}
}

// TestKitsInPayload: the payload with kits reads back as it was written.
func TestKitsInPayload(t *testing.T) {
	m := newMaker(t)
	doc := m.kitted()
	back := must(Parse(must(Payload(doc))(t)))(t)
	if len(back.Kits) != 1 || back.Kits[0].ID != kitID || back.Kits[0].Tote.Mass != lb(t, "5") {
		t.Errorf("kits %+v", back.Kits)
	}
	if payload := must(Payload(m.document()))(t); strings.Contains(string(payload), `"kits"`) {
		t.Error("a document without kits writes them")
	}
}

func TestCorrectedNamesParts(t *testing.T) {
	for want, c := range map[string]record.Correction{
		"series 2 trial 3":     {Series: 2, Trial: 3},
		"screening":            {Part: "screening"},
		"measures of the body": {Part: "body"},
		"end of series 2":      {Part: "series_end", Series: 2},
		"hand series 1":        {Part: "hand_series", Series: 1},
		"position series 4":    {Part: "position_series", Series: 4},
	} {
		if got := Corrected(c); got != want {
			t.Errorf("%+v: got %q, want %q", c, got, want)
		}
	}
}
