package e2e

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"
)

// TestEntryRefused has the database refuse every new entry, in three ways. No change of any kind is made without its entry, and no payer is shown
// what could not be recorded; once entries are taken again, so are the changes.
func TestEntryRefused(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	owner := must(pgx.Connect(s.ctx, s.db.OwnerURL))(t)
	t.Cleanup(func() { _ = owner.Close(context.Background()) })
	for i, refusal := range []struct{ name, begin, end string }{
		{"a trigger",
			`CREATE FUNCTION ponderal.no_entry() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RAISE EXCEPTION ''no entry into ponderal.audit_entry''; END';
			CREATE TRIGGER no_entry BEFORE INSERT ON ponderal.audit_entry FOR EACH ROW EXECUTE FUNCTION ponderal.no_entry()`,
			"DROP TRIGGER no_entry ON ponderal.audit_entry; DROP FUNCTION ponderal.no_entry()"},
		{"a right", entryRight("REVOKE", "FROM"), entryRight("GRANT", "TO")},
		{"a constraint", "ALTER TABLE ponderal.audit_entry ADD CONSTRAINT no_entry CHECK (false) NOT VALID", "ALTER TABLE ponderal.audit_entry DROP CONSTRAINT no_entry"},
	} {
		asked := s.prepared(100 * (i + 1))
		before := s.stored()
		must(owner.Exec(s.ctx, refusal.begin))(t)
		for _, a := range asked {
			out, err := s.request(s.ctx, a.change, a.in)
			refused(t, a.change, err, "INTERNAL")
			if proto.Size(out) > 0 {
				t.Errorf("%s: %s was refused, and answered %v", refusal.name, a.method, out)
			}
			if got := s.since(before); got != "" {
				t.Errorf("%s: %s stored %s without an entry", refusal.name, a.method, got)
			}
		}
		s.readsGoOn()
		must(owner.Exec(s.ctx, refusal.end))(t)
		s.allMade(asked)
	}
	s.whole()
}

// entryRight takes from the service's role the one function that enters, or gives it back.
func entryRight(what, whom string) string {
	return `DO $$ DECLARE f regprocedure; BEGIN
		FOR f IN SELECT oid::regprocedure FROM pg_proc WHERE pronamespace = 'ponderal'::regnamespace AND proname = 'append_entries' LOOP
			EXECUTE '` + what + ` EXECUTE ON FUNCTION ' || f || ' ` + whom + ` ponderal_service';
		END LOOP; END $$`
}
