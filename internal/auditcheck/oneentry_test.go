package auditcheck

import (
	"fmt"
	"strings"
	"testing"

	"ponderal.example/internal/merkle"
)

// TestOneEntryWithItsHashes alters one entry and computes anew all the hashes that its own row keeps, so that the row agrees with itself. The
// next subtree over it does not: the report names the run of entries that it is in, once.
func TestOneEntryWithItsHashes(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	size := w.size(east)
	var edge merkle.Edge
	for n := range size {
		var content string
		var salt, nodes []byte
		err := w.super.QueryRow(w.ctx, "SELECT content, salt, nodes FROM ponderal.audit_entry WHERE clinic_id = $1 AND number = $2", east, n).Scan(&content, &salt, &nodes)
		if err != nil {
			t.Fatal(err)
		}
		forged := strings.Replace(content, `"request_id":"r-`, `"request_id":"x-`, 1)
		if forged == content {
			t.Fatalf("entry %d has no request id", n)
		}
		own := edge.Clone()
		hashes := must(own.Append(merkle.LeafHash(salt, []byte(forged))))(t)
		must(edge.Append(merkle.LeafHash(salt, []byte(content))))(t)
		if n != 4 && n != 15 && n != 24 && n != size-1 {
			continue // an even and an odd one, one that a checkpoint follows at once, and the last
		}
		w.exec("UPDATE ponderal.audit_entry SET content = $3, nodes = $4 WHERE clinic_id = $1 AND number = $2", east, n, forged, merkle.JoinNodes(hashes))
		report := w.check()
		if len(report.Problems) == 0 || len(report.Problems) > 2 || !within(report.Problems[0], n) {
			t.Errorf("entry %d: want the entries that it is among named, got %v", n, report.Problems)
		}
		w.exec("UPDATE ponderal.audit_entry SET content = $3, nodes = $4 WHERE clinic_id = $1 AND number = $2", east, n, content, nodes)
	}
	w.clean()
}

// within reports whether a problem speaks of a run of entries that a number is in, or of the head or checkpoint over it.
func within(p Problem, number int64) bool {
	var from, to int64
	if i := strings.Index(p.What, "entries "); i >= 0 {
		if _, err := fmt.Sscanf(p.What[i:], "entries %d to %d", &from, &to); err == nil {
			return from <= number && number <= to
		}
	}
	return p.Table == tableHead || p.Table == tableCheckpoint
}

// TestEntryTakenOutOfTheMiddle names the gap and few of the rows that it leaves, and no later entry.
func TestEntryTakenOutOfTheMiddle(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	number := w.ask(`DELETE FROM ponderal.audit_entry WHERE clinic_id = $1 AND action = 'session.push' AND number = (SELECT min(number)
		FROM ponderal.audit_entry WHERE clinic_id = $1 AND action = 'session.push') RETURNING number::text`, east)[0]
	report := w.check()
	if len(report.Problems) == 0 || report.Problems[0].Table != tableEntry || report.Problems[0].Key != number {
		t.Fatalf("entry %s is not named first: %v", number, report.Problems)
	}
	for _, p := range report.Problems {
		if fmt.Sprint(p.Entry) != number {
			t.Errorf("a problem that is none: %v", p)
		}
	}
	if len(report.Problems) > 7 {
		t.Errorf("one cause makes %d problems: %v", len(report.Problems), report.Problems)
	}
}
