package auditcheck

import (
	"errors"
	"slices"
	"testing"

	"ponderal.example/internal/merkle"
)

// errCut interrupts a check.
var errCut = errors.New("interrupted")

// marks runs the check to its end and returns its last mark of each log.
func (w *world) marks() []Mark {
	w.t.Helper()
	last := map[string]Mark{}
	report := must(Run(w.ctx, Options{Store: w.store, Ring: w.ring, LogName: logName, Save: func(m Mark) error { last[m.Clinic] = m; return nil }}))(w.t)
	if !report.OK() || len(last) != 3 {
		w.t.Fatalf("%d marks, %v", len(last), report.Problems)
	}
	return []Mark{last[east], last[west]}
}

// TestGoesOnFromAMark interrupts a check after the first log; the second run does not check that log again, and finds what is wrong after it.
func TestGoesOnFromAMark(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var kept []Mark
	o := Options{Store: w.store, Ring: w.ring, LogName: logName}
	o.Save = func(m Mark) error { kept = append(kept, m); return errCut }
	if _, err := Run(w.ctx, o); !errors.Is(err, errCut) || len(kept) != 1 {
		t.Fatalf("got %v with %d marks, want the interruption", err, len(kept))
	}
	o.Save, o.From = nil, kept
	whole := w.check()
	rest := must(Run(w.ctx, o))(t)
	if !rest.OK() || rest.Before != kept[0].Size || rest.Before+rest.Entries != whole.Entries || rest.Records >= whole.Records {
		t.Errorf("went on with %d entries after %d, want %d in all: %v", rest.Entries, rest.Before, whole.Entries, rest.Problems)
	}
	o.From = w.marks()[:1] // east
	w.exec("UPDATE ponderal.client SET body = body || ' '")
	if r := must(Run(w.ctx, o))(t); len(r.Problems) != 2 || r.Problems[0].Clinic != west {
		t.Errorf("want the two clients of the log that was not checked yet, got %v", r.Problems)
	}
}

// TestGoesOnWithNewEntries: what was written after the mark is checked, and what was wrong with it is found.
func TestGoesOnWithNewEntries(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	marks := w.marks()
	w.clinicAgain(east)
	o := Options{Store: w.store, Ring: w.ring, LogName: logName, From: marks}
	if r := must(Run(w.ctx, o))(t); !r.OK() || r.Before != marks[0].Size+marks[1].Size || r.Entries == 0 {
		t.Errorf("%d entries after %d: %v", r.Entries, r.Before, r.Problems)
	}
	w.exec("UPDATE ponderal.clinic SET body = body || ' ' WHERE revision = 3")
	if r := must(Run(w.ctx, o))(t); len(r.Problems) != 1 || r.Problems[0].Clinic != east {
		t.Errorf("want the new row named, got %v", r.Problems)
	}
}

// TestMarkThatDoesNotFit refuses marks of another log, of a changed one and of a longer one.
func TestMarkThatDoesNotFit(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	good := w.marks()[0]
	o := Options{Store: w.store, Ring: w.ring, LogName: logName}
	other, longer, short, nowhere := good, good, good, good
	other.Edge = slices.Clone(good.Edge)
	other.Edge[5] ^= 1
	longer.Size++
	short.Edge = good.Edge[:len(good.Edge)-32]
	nowhere.Clinic = id("c1", 9)
	for name, m := range map[string]Mark{"other tree": other, "longer log": longer, "short edge": short, "no such log": nowhere} {
		o.From = []Mark{m}
		if _, err := Run(w.ctx, o); !errors.Is(err, ErrMark) {
			t.Errorf("%s: got %v, want ErrMark", name, err)
		}
	}
	o.From = []Mark{good}
	if r := must(Run(w.ctx, o))(t); !r.OK() {
		t.Errorf("the good one: %v", r.Problems)
	}
	w.exec("UPDATE ponderal.audit_entry SET nodes = set_byte(nodes, 3, (get_byte(nodes, 3) + 1) % 256) WHERE clinic_id = $1 AND number = 7", east)
	if _, err := Run(w.ctx, o); !errors.Is(err, ErrMark) {
		t.Errorf("a tree that was changed: got %v, want ErrMark", err)
	}
}

// TestNoMarkWhereSomethingWasFound: a log with a problem is checked again from the last good mark.
func TestNoMarkWhereSomethingWasFound(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.exec("UPDATE ponderal.client SET body = body || ' ' WHERE clinic_id = $1", east)
	var of []string
	o := Options{Store: w.store, Ring: w.ring, LogName: logName, Save: func(m Mark) error { of = append(of, m.Clinic); return nil }}
	if r := must(Run(w.ctx, o))(t); len(r.Problems) != 2 {
		t.Fatalf("%v", r.Problems)
	}
	if slices.Contains(of, east) || !slices.Contains(of, west) {
		t.Errorf("marks of %v", of)
	}
}

// TestGoesOnInTheMiddle goes on from marks within a log, with a known checkpoint on either side, and still finds what comes after.
func TestGoesOnInTheMiddle(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	size := w.size(east)
	notes := w.ask("SELECT note FROM ponderal.checkpoint WHERE clinic_id = $1 ORDER BY size", east)
	leaves := w.ask("SELECT encode(substr(nodes, 1, 32), 'hex') FROM ponderal.audit_entry WHERE clinic_id = $1 ORDER BY number", east)
	w.exec("UPDATE ponderal.result SET path = set_byte(path, 0, (get_byte(path, 0) + 1) % 256) WHERE clinic_id = $1 AND id = $2", east, id("9b", 2))
	for _, n := range []int64{1, 2, 7, 8, 17, size - 3} {
		var edge merkle.Edge
		for _, leaf := range leaves[:n] {
			must(edge.Append(merkle.Hash(unhex(t, leaf))))(t)
		}
		o := Options{Store: w.store, Ring: w.ring, LogName: logName, Known: notes, Clinics: []string{east}, From: []Mark{{east, n, must(edge.MarshalBinary())(t)}}}
		r := must(Run(w.ctx, o))(t)
		if r.Before != n || r.Before+r.Entries != size || len(r.Problems) != 1 || r.Problems[0].Key != id("9b", 2) {
			t.Errorf("from %d: %d before, %d after, %v", n, r.Before, r.Entries, r.Problems)
		}
	}
}
