package casework

import (
	"errors"
	"slices"
	"testing"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// faultOf is the reason of an error, with the rules that it names.
func faultOf(err error) []string {
	var f *fault.Error
	if !errors.As(err, &f) {
		return nil
	}
	out := []string{f.Reason}
	for _, v := range f.Violations {
		out = append(out, v.Rule)
	}
	return out
}

// TestLegalHold: administrators of the clinic and of the network place and lift holds, others do not; each is an entry about its client.
func TestLegalHold(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	admin, root := w.member(east, robin, record.RoleClinicAdmin), w.network(record.RoleNetworkAdmin)
	root.ClinicID = east
	must(w.c.PutClient(w.ctx, admin, record.Client{ID: id("a1", 1), GivenName: "Pat", FamilyName: "Example", BirthDate: "1980-03-05"}, 0))(t)
	must(w.c.PutClient(w.ctx, admin, record.Client{ID: id("a1", 2), GivenName: "Kim", FamilyName: "Example", BirthDate: "1980-03-05"}, 0))(t)
	hold := record.LegalHold{ID: id("41", 1), ClientID: id("a1", 1), Reason: "a suit"}
	auditor := w.network(record.RoleNetworkAuditor)
	auditor.ClinicID = east
	for _, p := range []struct {
		name string
		err  error
	}{
		{"evaluator", second(w.c.PutLegalHold(w.ctx, w.member(east, sam, record.RoleEvaluator), hold, 0))},
		{"reviewer", second(w.c.PutLegalHold(w.ctx, w.member(east, dana, record.RoleReviewer), hold, 0))},
		{"auditor", second(w.c.PutLegalHold(w.ctx, auditor, hold, 0))},
		{"evaluator's list", second(w.c.ListLegalHolds(w.ctx, w.member(east, sam, record.RoleEvaluator), record.Page{}))},
	} {
		if !fault.Is(p.err, fault.Denied) {
			t.Errorf("%s: %v, want Denied", p.name, p.err)
		}
	}
	placed := must(w.c.PutLegalHold(w.ctx, admin, hold, 0))(t)
	if again := must(w.c.PutLegalHold(w.ctx, admin, hold, 0))(t); again.Revision != placed.Revision {
		t.Errorf("the same hold again is revision %+v, want %+v", again.Revision, placed.Revision)
	}
	other, blank, nobody := hold, hold, record.LegalHold{ID: id("41", 2), ClientID: id("a1", 9), Reason: "a suit"}
	other.ClientID, blank.Reason = id("a1", 2), " \t"
	for rule, err := range map[string]error{
		"hold.same_client": second(w.c.PutLegalHold(w.ctx, admin, other, 1)), "hold.reason": second(w.c.PutLegalHold(w.ctx, admin, blank, 1)),
		"client.exists": second(w.c.PutLegalHold(w.ctx, admin, nobody, 0)),
	} {
		if got := faultOf(err); !slices.Equal(got, []string{"INVALID_REQUEST", rule}) {
			t.Errorf("%v, want %s", got, rule)
		}
	}
	hold.Lifted = true
	lifted := must(w.c.PutLegalHold(w.ctx, root, hold, 1))(t)
	must(w.c.PutLegalHold(w.ctx, root, record.LegalHold{ID: id("41", 3), Reason: "an inquiry"}, 0))(t)
	if got := must(w.c.ListLegalHolds(w.ctx, auditor, record.Page{}))(t); len(got.Items) != 2 || !got.Items[0].Value.Lifted || got.Items[1].Value.ClientID != "" {
		t.Errorf("holds: %+v", got.Items)
	}
	if got := must(w.c.ListLegalHolds(w.ctx, w.member(west, robin, record.RoleClinicAdmin), record.Page{}))(t); len(got.Items) != 0 {
		t.Errorf("another clinic's holds: %+v", got.Items)
	}
	entry, _, err := w.c.GetEntry(w.ctx, auditor, lifted.Revision.Entry)
	if err != nil || entry.Entry.Action != "legal_hold.put" || !slices.Equal(entry.Entry.Subjects, []string{"legal_hold:" + hold.ID, "client:" + hold.ClientID}) {
		t.Errorf("entry: %+v, %v", entry, err)
	}
}

// TestRetentionPeriod: from none to a hundred years, set by the network.
func TestRetentionPeriod(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	root := w.network(record.RoleNetworkAdmin)
	clinic := record.Clinic{ID: east, Name: "Invented Clinic East", DisplayUnit: mass.Pound}
	for _, days := range []int{-1, 36501} {
		clinic.RetentionDays = days
		if got := faultOf(second(w.c.PutClinic(w.ctx, root, clinic, 1))); !slices.Equal(got, []string{"INVALID_REQUEST", "clinic.retention_days"}) {
			t.Errorf("%d days: %v", days, got)
		}
	}
	for i, days := range []int{36500, 1, 0} {
		clinic.RetentionDays = days
		must(w.c.PutClinic(w.ctx, root, clinic, i+1))(t)
	}
	if err := second(w.c.PutClinic(w.ctx, w.member(east, robin, record.RoleClinicAdmin), clinic, 4)); !fault.Is(err, fault.Denied) {
		t.Errorf("a clinic's administrator: %v, want Denied", err)
	}
}

// second drops the value of a call.
func second[T any](_ T, err error) error { return err }
