package auditcheck

import (
	"fmt"
	"strings"
	"testing"

	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
)

// size is how many entries a clinic's log has.
func (w *world) size(clinic string) int64 {
	var n int64
	if err := w.super.QueryRow(w.ctx, "SELECT size FROM ponderal.audit_head WHERE clinic_id = $1", clinic).Scan(&n); err != nil {
		w.t.Fatal(err)
	}
	return n
}

// TestHeadSetBack sets only the head back to an earlier one, genuine in itself.
func TestHeadSetBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	n := w.size(east)
	w.setBack(east, n-3)
	report := w.check()
	if !names(report, east, tableHead, "") || len(report.Problems) != 1 {
		t.Errorf("want the head named alone, got %v", report.Problems)
	}
}

// setBack gives the head the size and edge that it had once.
func (w *world) setBack(clinic string, size int64) {
	w.t.Helper()
	var edge merkle.Edge
	for _, node := range w.ask("SELECT encode(substr(nodes, 1, 32), 'hex') FROM ponderal.audit_entry WHERE clinic_id = $1 AND number < $2 ORDER BY number", clinic, size) {
		var leaf merkle.Hash
		copy(leaf[:], unhex(w.t, node))
		must(edge.Append(leaf))(w.t)
	}
	w.exec("UPDATE ponderal.audit_head SET size = $2, edge = $3 WHERE clinic_id = $1", clinic, size, must(edge.MarshalBinary())(w.t))
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	var b []byte
	if _, err := fmt.Sscanf(s, "%x", &b); err != nil {
		t.Fatal(err)
	}
	return b
}

// TestOldCheckpointReplayed puts an earlier genuine note in the place of a later one.
func TestOldCheckpointReplayed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	size := w.ask(`UPDATE ponderal.checkpoint SET note = (SELECT note FROM ponderal.checkpoint WHERE clinic_id = $1 ORDER BY size LIMIT 1)
		WHERE clinic_id = $1 AND size = (SELECT max(size) FROM ponderal.checkpoint WHERE clinic_id = $1) RETURNING size::text`, east)[0]
	report := w.check()
	if !names(report, east, tableCheckpoint, "of size "+size) || len(report.Problems) != 1 {
		t.Errorf("want the checkpoint of size %s named alone, got %v", size, report.Problems)
	}
}

// TestCheckpointOfAnotherClinic moves a genuine note to another clinic's log.
func TestCheckpointOfAnotherClinic(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	size := w.ask(`UPDATE ponderal.checkpoint c SET note = o.note FROM ponderal.checkpoint o WHERE c.clinic_id = $1 AND o.clinic_id = $2
		AND o.size = c.size AND c.size = (SELECT min(size) FROM ponderal.checkpoint WHERE clinic_id = $1) RETURNING c.size::text`, east, west)[0]
	if report := w.check(); !names(report, east, tableCheckpoint, "of size "+size) {
		t.Errorf("checkpoint of size %s not named: %v", size, report.Problems)
	}
}

// TestNewestEntriesCut takes the newest entries out with all that they wrote and sets the heads back to match: a log that is whole, only
// shorter. From the inside nothing is wrong with it; a checkpoint that was kept elsewhere shows it.
func TestNewestEntriesCut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	n := w.size(east)
	notes := w.ask("SELECT note FROM ponderal.checkpoint WHERE clinic_id = $1 ORDER BY size DESC", east)
	if report := w.check(notes...); !report.OK() {
		t.Fatalf("known checkpoints of a log that nobody touched: %v", report.Problems)
	}
	w.cut(east, n-2)
	if report := w.check(); len(report.Problems) != 1 || report.Problems[0].Table != tableFeedHead {
		t.Errorf("the feed's counter, which still counts what was cut off, should be named alone: %v", report.Problems)
	}
	w.exec("UPDATE ponderal.feed_head h SET size = (SELECT count(*) FROM ponderal.feed_item f WHERE f.payer_id = h.payer_id)")
	if report := w.check(); !report.OK() {
		t.Errorf("a shorter log is whole from the inside: %v", report.Problems)
	}
	report := w.check(notes[0])
	if !names(report, east, tableKnown, fmt.Sprintf("of size %d", n)) {
		t.Errorf("the known checkpoint of size %d does not show it: %v", n, report.Problems)
	}
	if report := w.check(notes[len(notes)-1]); !report.OK() {
		t.Errorf("an old checkpoint is still honoured: %v", report.Problems)
	}
}

func (w *world) cut(clinic string, size int64) {
	for table := range tables {
		switch table {
		case "audit_head":
		case "audit_entry":
			w.exec("DELETE FROM ponderal.audit_entry WHERE clinic_id = $1 AND number >= $2", clinic, size)
		default:
			w.exec("DELETE FROM ponderal."+table+" WHERE clinic_id = $1 AND entry_number >= $2", clinic, size)
		}
	}
	w.setBack(clinic, size)
}

// TestNewestEntriesCutButNotTheHead is the same without the head.
func TestNewestEntriesCutButNotTheHead(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	n := w.size(east)
	w.exec("CREATE TEMP TABLE kept AS SELECT * FROM ponderal.audit_head WHERE clinic_id = $1", east)
	w.cut(east, n-2)
	w.exec("UPDATE ponderal.audit_head h SET size = k.size, edge = k.edge FROM kept k WHERE h.clinic_id = k.clinic_id")
	report := w.check()
	if !names(report, east, tableEntry, fmt.Sprintf("%d to %d", n-2, n-1)) {
		t.Errorf("entries %d to %d not named: %v", n-2, n-1, report.Problems)
	}
}

// TestRewrittenHistory alters an entry and computes everything after it anew, head and all, as only one who knows the form can. The signed
// checkpoints say where it begins.
func TestRewrittenHistory(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first := w.ask("SELECT number::text FROM ponderal.audit_entry WHERE clinic_id = $1 AND action = 'trial.correct' ORDER BY number LIMIT 1", east)[0]
	w.exec("UPDATE ponderal.audit_entry SET content = replace(content, 'read from the strap', 'read from the watch') WHERE clinic_id = $1 AND number = $2::text::int8", east, first)
	var edge merkle.Edge
	for n := range w.size(east) {
		var content string
		var salt []byte
		if err := w.super.QueryRow(w.ctx, "SELECT content, salt FROM ponderal.audit_entry WHERE clinic_id = $1 AND number = $2", east, n).Scan(&content, &salt); err != nil {
			t.Fatal(err)
		}
		nodes := must(edge.Append(merkle.LeafHash(salt, []byte(content))))(t)
		w.exec("UPDATE ponderal.audit_entry SET nodes = $3 WHERE clinic_id = $1 AND number = $2", east, n, merkle.JoinNodes(nodes))
	}
	w.exec("UPDATE ponderal.audit_head SET edge = $2 WHERE clinic_id = $1", east, must(edge.MarshalBinary())(t))
	report := w.check()
	if len(report.Problems) == 0 || report.Problems[0].Table != tableCheckpoint || !strings.Contains(report.Problems[0].What, "are not those that were signed") {
		t.Errorf("want the first checkpoint that differs named first, got %v", report.Problems)
	}
}

// TestKnownThatIsNotOurs refuses checkpoints from outside that prove nothing.
func TestKnownThatIsNotOurs(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	good := w.ask("SELECT note FROM ponderal.checkpoint WHERE clinic_id = $1 ORDER BY size LIMIT 1", east)[0]
	for name, text := range map[string]string{
		"other name":  strings.Replace(good, logName, "elsewhere.example", 2),
		"not signed":  strings.Split(good, "\n\n")[0] + "\n",
		"other size":  strings.Replace(good, "\n", "\n1", 1),
		"empty":       "",
		"other log":   strings.ReplaceAll(good, east, west),
		"log unknown": strings.ReplaceAll(good, east, record.NetworkClinic),
	} {
		if report := w.check(text); len(report.Problems) != 1 || report.Problems[0].Table != tableKnown {
			t.Errorf("%s: want one problem with the known checkpoint, got %v", name, report.Problems)
		}
	}
	if report := w.check(good); !report.OK() {
		t.Errorf("a good one: %v", report.Problems)
	}
}

// TestManyProblemsAreCounted bounds the list.
func TestManyProblemsAreCounted(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.exec("UPDATE ponderal.trial SET body = body || ' '")
	all := w.check()
	report := must(Run(w.ctx, Options{Store: w.store, Ring: w.ring, LogName: logName, MaxProblems: 5}))(t)
	if len(report.Problems) != 5 || len(report.Problems)+report.Omitted != len(all.Problems) {
		t.Errorf("%d listed, %d omitted, of %d", len(report.Problems), report.Omitted, len(all.Problems))
	}
}
