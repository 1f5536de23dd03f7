package auditcheck

import (
	"fmt"
	"strings"
	"testing"
)

// falseErasures change what an erasure left, or pass for an erasure. In the text $gone is an erased entry that pushed a session, $kept one of the other
// client that is whole, $told the entry that tells of the erasure, $east the clinic and $1, $2 the clients' numbers in ids. named is how the problem
// names the row: its table and key.
var falseErasures = []struct{ name, change, table, key string }{
	{"content and salt taken", "UPDATE audit_entry SET content = NULL, salt = NULL WHERE $east AND number = $kept", "audit entry", "$kept"},
	{"bodies emptied as well", `WITH a AS (UPDATE session SET body = '{}' WHERE $east AND entry_number = $kept), b AS (UPDATE trial SET body = '{}'
		WHERE $east AND entry_number = $kept), c AS (UPDATE finding SET body = '{}' WHERE $east AND entry_number = $kept)
		UPDATE audit_entry SET content = NULL, salt = NULL WHERE $east AND number = $kept`, "audit entry", "$kept"},
	{"a body emptied", "UPDATE client SET body = '{}' WHERE $east AND id = '$client2'", "client", "$client2 revision 1"},
	{"the telling entry emptied", "UPDATE audit_entry SET content = NULL, salt = NULL WHERE $east AND number = $told", "audit entry", "$told"},
	{"the telling entry called another", "UPDATE audit_entry SET action = 'client.put' WHERE $east AND number = $told", "audit entry", "$gone"},
	{"the telling entry deleted", "DELETE FROM audit_entry WHERE $east AND number = $told", "audit entry", "$gone"},
	{"the telling entry names more", `UPDATE audit_entry SET content = replace(content, '"erased":[', '"erased":[0,') WHERE $east AND number = $told`, "audit entry", "$told"},
	{"something in the place of content", `UPDATE audit_entry SET content = '{}', salt = substr(nodes, 1, 32) WHERE $east AND number = $gone`, "audit entry", "$gone"},
	{"a salt put back", "UPDATE audit_entry SET salt = substr(nodes, 1, 32) WHERE $east AND number = $gone", "audit entry", "$gone"},
	{"when an erased entry was", "UPDATE audit_entry SET at = at + interval '1 us' WHERE $east AND number = $gone", "audit entry", "$gone"},
	{"what an erased entry did", "UPDATE audit_entry SET action = 'session.rescore' WHERE $east AND number = $gone", "audit entry", "$gone"},
	{"of whom an erased entry was", "UPDATE audit_entry SET subjects = subjects[2:] WHERE $east AND number = $gone", "audit entry", "$gone"},
	{"an erased entry deleted", "DELETE FROM audit_entry WHERE $east AND number = $gone", "audit entry", "$gone"},
	{"a body put back", `UPDATE session SET body = '{"id":1}' WHERE $east AND id = '$session1' AND revision = 1`, "session", "$session1 revision 1"},
	{"raw trials put back", "UPDATE result SET enclosed = '{}' WHERE $east AND id = '$result1'", "result", "$result1"},
	{"an erased trial deleted", "DELETE FROM trial WHERE $east AND session_id = '$session1' AND entry_number = $gone AND trial_number = 1", "audit entry", "$gone"},
	{"an erased trial renumbered", "UPDATE trial SET trial_number = 99 WHERE $east AND session_id = '$session1' AND entry_number = $gone AND trial_number = 1",
		"audit entry", "$gone"},
	{"the referral of an erased session", "UPDATE session SET referral_id = '$session2' WHERE $east AND id = '$session1' AND revision = 1", "audit entry", "$gone"},
	{"a further row of an erased entry", `INSERT INTO finding SELECT clinic_id, '$client2', revision, entry_number, body FROM finding
		WHERE $east AND id = '$session1' AND revision = 1`, "audit entry", "$gone"},
	{"the session of an erased result", "UPDATE result SET session_id = '$session2' WHERE $east AND id = '$result1'", "audit entry", "$signed"},
	{"the proof of an erased result", "UPDATE result SET path = set_byte(path, 0, (get_byte(path, 0) + 1) % 256) WHERE $east AND id = '$result1'", "result", "$result1"},
	{"an erased feed item", "UPDATE feed_item SET result_id = '$client2' WHERE $east AND result_id = '$result1'", "audit entry", "$signed"},
}

// TestFalseErasures: each change, made by a superuser with triggers, keys and checks off, is named; without it nothing is.
func TestFalseErasures(t *testing.T) {
	t.Parallel()
	x := newTrials(t)
	done := x.erase(order(id("a1", 1)))
	x.clean()
	for _, table := range x.tables {
		x.exec("DROP TABLE kept." + table)
		x.exec("CREATE TABLE kept." + table + " AS SELECT * FROM ponderal." + table)
	}
	x.exec("SET search_path = ponderal, pg_catalog")
	number := func(where string) string {
		return x.ask("SELECT min(number)::text FROM ponderal.audit_entry WHERE clinic_id = $1 AND "+where, east)[0]
	}
	fill := strings.NewReplacer("$gone", number("content IS NULL AND action = 'session.push'"), "$kept", number("content IS NOT NULL AND action = 'session.push'"),
		"$signed", number("content IS NULL AND action = 'result.sign'"), "$told", fmt.Sprint(done.Entry), "$east", "clinic_id = '"+east+"'",
		"$client2", id("a1", 2), "$session1", id("5e", 1), "$session2", id("5e", 2), "$result1", id("9a", 1)).Replace
	touched := []string{"audit_entry", "client", "session", "trial", "finding", "result", "feed_item"}
	for _, tt := range falseErasures {
		if tag, err := x.super.Exec(x.ctx, fill(tt.change)); err != nil || tag.RowsAffected() == 0 {
			t.Fatalf("%s: %v, %v", tt.name, tag, err)
		}
		if r := x.check(); !names(r, east, tt.table, fill(tt.key)) {
			t.Errorf("%s: %v; want %s %s named", tt.name, r.Problems, tt.table, fill(tt.key))
		}
		x.restore(touched)
	}
	x.clean()
	t.Logf("%d false erasures", len(falseErasures))
}

// TestErasureThatDidNotHappen: an entry that tells of an erasure, well formed and in the tree like any other, while what it names is still there.
func TestErasureThatDidNotHappen(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	kept := w.ask("SELECT min(number)::text FROM ponderal.audit_entry WHERE clinic_id = $1 AND action = 'session.push'", east)[0]
	w.exec("SELECT set_config('ponderal.clinic_id', $1, false)", east)
	w.exec("SELECT ponderal.write_erasure($1, 'a reason', 'an operator', now(), sha256('x'), ARRAY[$2::text::bigint], ARRAY[$3])", id("a1", 1), kept,
		"client:"+id("a1", 1))
	r := w.check()
	if len(r.Problems) != 1 || !names(r, east, tableEntry, kept) || !strings.Contains(r.Problems[0].What, "it is still there") {
		t.Errorf("%v; want entry %s alone", r.Problems, kept)
	}
}
