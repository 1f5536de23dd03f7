package auditcheck

import (
	"crypto/rand"
	"fmt"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"

	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/witness/witnesstest"
)

// witnessed has every log cosigned by a witness of that name, through the witness's own front door, and returns the witness's key.
func (w *world) witnessed(name string) seal.Witness {
	w.t.Helper()
	x := must(witnesstest.New(name, rand.Reader))(w.t)
	key := must(seal.ParseWitness(x.Key()))(w.t)
	logs := w.c.Witnessing()
	for _, clinic := range []string{record.NetworkClinic, east, west} {
		if err := x.Trust(must(note.NewEd25519VerifierKey(logName+"/"+clinic, w.logKey.Public().Key))(w.t)); err != nil {
			w.t.Fatal(err)
		}
		signed, size, cosigned, err := logs.Head(w.ctx, clinic, key)
		if err != nil || size == 0 || cosigned != 0 {
			w.t.Fatalf("head of %s: size %d, cosigned %d, %v", clinic, size, cosigned, err)
		}
		line := must(x.Cosign(signed))(w.t)
		if err := logs.Keep(w.ctx, clinic, size, key, line); err != nil {
			w.t.Fatal(err)
		}
	}
	return key
}

func (w *world) checked(believed ...seal.Witness) Report {
	w.t.Helper()
	return must(Run(w.ctx, Options{Store: w.store, Ring: w.ring, LogName: logName, Witnesses: believed}))(w.t)
}

func TestCosignedHeadsAreCompared(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	one := w.witnessed("witness.example/one")
	w.addClient(east, 71)
	w.witnessed("witness.example/two")
	report := w.checked(one)
	var text strings.Builder
	if err := report.WriteText(&text); err != nil || !report.OK() {
		t.Fatalf("%v\n%s", err, &text)
	}
	for _, want := range []string{"Witness witness.example/one cosigned 3 of the heads; verified with the key", "Witness witness.example/two cosigned 3 of the heads; not verified"} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("lacks %q:\n%s", want, &text)
		}
	}
	// The next round has nothing to ask for, and a later head goes on from here.
	if _, size, cosigned, err := w.c.Witnessing().Head(w.ctx, west, one); err != nil || cosigned != size {
		t.Errorf("size %d, cosigned %d, %v", size, cosigned, err)
	}
	if path, err := w.c.Witnessing().Proof(w.ctx, west, 1, 2); err != nil || len(path) == 0 {
		t.Errorf("a proof for the witness: %v, %v", path, err)
	}
}

// addClient writes one more entry.
func (w *world) addClient(clinic string, n int) {
	w.t.Helper()
	must(w.c.PutClient(w.ctx, w.member(clinic, robin, record.RoleClinicAdmin), record.Client{ID: id("c9", n), GivenName: "Pat", FamilyName: fmt.Sprint("Invented ", n), BirthDate: "1980-03-05", Sex: record.Female}, 0))(w.t)
}

// TestForgedCosignaturesAreNotStored: what a worker hands over is verified once more before it is stored.
func TestForgedCosignaturesAreNotStored(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	one := w.witnessed("witness.example/one")
	logs := w.c.Witnessing()
	_, size, _, err := logs.Head(w.ctx, west, one)
	if err != nil {
		t.Fatal(err)
	}
	line := w.ask("SELECT line FROM ponderal.cosignature WHERE clinic_id = $1", west)[0]
	two := must(seal.ParseWitness(must(witnesstest.New("witness.example/two", rand.Reader))(t).Key()))(t)
	for name, keep := range map[string]error{
		"under another witness's key": logs.Keep(w.ctx, west, size, two, line),
		"of another log":              logs.Keep(w.ctx, east, 1, one, line),
		"of another size":             logs.Keep(w.ctx, west, size-1, one, line),
		"of a size beyond the log":    logs.Keep(w.ctx, west, size+1, one, line),
	} {
		if keep == nil {
			t.Errorf("%s: it was stored", name)
		}
	}
	if err := logs.Keep(w.ctx, west, size, one, line); err != nil {
		t.Errorf("the same again: %v", err)
	}
	if n := w.ask("SELECT count(*)::text FROM ponderal.cosignature")[0]; n != "3" {
		t.Errorf("%s cosignatures are stored, want 3", n)
	}
}

// TestTamperedCosignedHeads: single changes behind the service's back, each named; those that nothing inside a log would show are shown by the cosigned head.
func TestTamperedCosignedHeads(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.addClient(west, 72)
	w.witnessed("witness.example/one")
	restore := w.keeping("cosignature", "checkpoint", "audit_entry", "audit_head", "client")
	for _, tt := range []struct {
		name   string
		change func(*world)
		want   string // in a problem; empty where nothing is found
	}{
		{"nothing", func(*world) {}, ""},
		{"the line edited", func(w *world) {
			w.exec("UPDATE ponderal.cosignature SET line = replace(line, substring(line FROM 40 FOR 4), 'AAAA') WHERE clinic_id = $1", west)
		}, "or the cosignature, was altered"},
		{"another log's line", func(w *world) {
			w.exec("UPDATE ponderal.cosignature SET line = (SELECT line FROM ponderal.cosignature WHERE clinic_id = $2) WHERE clinic_id = $1", west, east)
		}, "or the cosignature, was altered"},
		{"the witness edited", func(w *world) {
			w.exec("UPDATE ponderal.cosignature SET witness = 'witness.example/three' WHERE clinic_id = $1", west)
		}, "no verifier key"},
		{"the entry number edited", func(w *world) {
			w.exec("ALTER TABLE ponderal.cosignature DROP CONSTRAINT cosignature_check")
			w.exec("UPDATE ponderal.cosignature SET entry_number = 0 WHERE clinic_id = $1", west)
		}, "column entry_number"},
		{"its checkpoint taken out", func(w *world) {
			w.exec("DELETE FROM ponderal.checkpoint c USING ponderal.cosignature s WHERE c.clinic_id = s.clinic_id AND c.size = s.size AND c.clinic_id = $1", west)
		}, "the checkpoint that it cosigned is gone"},
		{"the newest entry rewritten with its tree, head and checkpoint, signed with the real key", rewriteNewest, "what the witness cosigned is not what is stored"},
		{"the newest entry cut with its rows, head and checkpoint", cutNewest, "it was cut"},
	} {
		tt.change(w)
		report := w.checked()
		found := slices.ContainsFunc(report.Problems, func(p Problem) bool {
			return p.Table == tableCosignature && p.Clinic == west && strings.Contains(p.What, tt.want)
		})
		if tt.want == "" && !report.OK() || tt.want != "" && !found {
			t.Errorf("%s: %v", tt.name, report.Problems)
		}
		switch tt.name {
		case "the newest entry rewritten with its tree, head and checkpoint, signed with the real key", "the newest entry cut with its rows, head and checkpoint":
			// Without the witness nothing would have been found.
			w.exec("DELETE FROM ponderal.cosignature")
			if report := w.checked(); !report.OK() {
				t.Errorf("%s, without cosignatures: %v", tt.name, report.Problems)
			}
		}
		restore()
	}
}

// keeping copies tables and returns what puts them back as they were.
func (w *world) keeping(all ...string) (restore func()) {
	w.t.Helper()
	for _, table := range all {
		w.exec("CREATE TEMP TABLE kept_" + table + " AS SELECT * FROM ponderal." + table)
	}
	return func() {
		w.t.Helper()
		for _, table := range all {
			w.exec("DELETE FROM ponderal." + table)
			w.exec("INSERT INTO ponderal." + table + " SELECT * FROM kept_" + table)
		}
	}
}

// cutNewest takes out the newest entry with all that it wrote and its checkpoint, and sets the head back.
func cutNewest(w *world) { w.cut(west, w.size(west)-1) }

// rewriteNewest cuts the newest entry and has the service itself write another in its place: all fits, and is signed with the real key.
func rewriteNewest(w *world) {
	cutNewest(w)
	w.addClient(west, 73)
	one := must(seal.ParseWitness(w.ask("SELECT witness FROM ponderal.cosignature LIMIT 1")[0]))(w.t)
	if signed, _, _, err := w.c.Witnessing().Head(w.ctx, west, one); err != nil || signed == "" {
		w.t.Fatal(err)
	}
}
