package casework

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// auditor is the network's auditor, who asks of a clinic; empty for all.
func (w *world) auditor(clinic string) authn.Principal {
	p := w.network(record.RoleNetworkAuditor)
	p.ClinicID = clinic
	return p
}

// size is how many entries a clinic's log has.
func (w *world) size(clinic string) int64 {
	w.t.Helper()
	c, err := w.c.GetCheckpoint(w.ctx, w.admin(clinic))
	if err != nil {
		w.t.Fatal(err)
	}
	return c.Size
}

// newest are the last n entries of a clinic's log.
func (w *world) newest(clinic string, n int64) []record.Entry {
	w.t.Helper()
	var out []record.Entry
	for number := w.size(clinic) - n; number < w.size(clinic); number++ {
		v, _, err := w.c.GetEntry(w.ctx, w.admin(clinic), number)
		if err != nil {
			w.t.Fatal(err)
		}
		out = append(out, v.Entry)
	}
	return out
}

// readsOfPeople are the reading use cases that show an auditor what is stored of people, with what their entry says.
func readsOfPeople(w *world, s record.Session) map[string]struct {
	call func(p authn.Principal) error
	what string
	// about are the subjects of the entry, besides none.
	about []string
} {
	session := []string{"session:" + s.ID, "referral:" + id("e1", 1), "client:" + id("a1", 1)}
	type read = struct {
		call  func(p authn.Principal) error
		what  string
		about []string
	}
	return map[string]read{
		"ListEntries": {func(p authn.Principal) error {
			_, err := w.c.ListEntries(w.ctx, p, EntryFilter{Action: "session.push"}, record.Page{})
			return err
		}, "entries: action session.push; 1 shown, from ", nil},
		"ListEntries about somebody": {func(p authn.Principal) error {
			_, err := w.c.ListEntries(w.ctx, p, EntryFilter{Subject: "client:" + id("a1", 1), Action: "session."}, record.Page{})
			return err
		}, "entries: action session., subject client:" + id("a1", 1) + "; 1 shown, from ", []string{"client:" + id("a1", 1)}},
		"ListEntries, nothing found": {func(p authn.Principal) error {
			_, err := w.c.ListEntries(w.ctx, p, EntryFilter{Kind: "nothing"}, record.Page{})
			return err
		}, "entries: kind nothing; none shown", nil},
		"GetEntry": {func(p authn.Principal) error {
			_, _, err := w.c.GetEntry(w.ctx, p, 0)
			return err
		}, "entry 0", []string{"clinic:" + east}},
		"GetScoreHistory": {func(p authn.Principal) error {
			_, err := w.c.GetScoreHistory(w.ctx, p, s.ID)
			return err
		}, "history of the score", session},
		"CompareFindings": {func(p authn.Principal) error {
			_, err := w.c.CompareFindings(w.ctx, p, s.ID, 1, 1)
			return err
		}, "findings of revisions 1 and 1", session},
		"ListLateCorrections": {func(p authn.Principal) error {
			_, err := w.c.ListLateCorrections(w.ctx, p, record.Time{}, record.Time{}, record.Page{})
			return err
		}, "late corrections: since 2025-03-04T12:00:00Z, 0 shown, with rates", nil},
		"ExportEntries": {func(p authn.Principal) error {
			return w.c.ExportEntries(w.ctx, p, Export{Format: ExportLines, Filter: EntryFilter{App: "test"}}, func([]byte) error { return nil })
		}, "export of entries: app test; from 0 to ", nil},
	}
}

// TestReadsAreEntries: each read of the network's auditor is one entry, that says who read what; the same read by a member of the clinic is none; a read
// that fails showed nothing and is none either.
func TestReadsAreEntries(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	for name, read := range readsOfPeople(w, s) {
		before := w.size(east)
		if err := read.call(w.admin(east)); err != nil {
			t.Errorf("%s by the clinic: %v", name, err)
		}
		if after := w.size(east); after != before {
			t.Errorf("%s by the clinic wrote %d entries", name, after-before)
		}
		if err := read.call(w.auditor(east)); err != nil {
			t.Errorf("%s by the auditor: %v", name, err)
			continue
		}
		if after := w.size(east); after != before+1 {
			t.Errorf("%s by the auditor wrote %d entries", name, after-before)
			continue
		}
		e := w.newest(east, 1)[0]
		if e.Action != record.ActionRecordRead || e.Actor != w.auditor(east).Actor() || !strings.HasPrefix(e.Reason, read.what) || len(e.Records) > 0 {
			t.Errorf("%s: %+v, want what was read to begin with %q", name, e, read.what)
		}
		if diff := cmp.Diff(read.about, e.Subjects); diff != "" {
			t.Errorf("%s (-want +got)\n%s", name, diff)
		}
	}
	before := w.size(east)
	_, err := w.c.GetScoreHistory(w.ctx, w.auditor(east), id("5e", 99))
	wantFault(t, err, fault.NotFound, "NOT_FOUND")
	_, _, err = w.c.GetEntry(w.ctx, w.auditor(east), 1000)
	wantFault(t, err, fault.NotFound, "NOT_FOUND")
	if after := w.size(east); after != before {
		t.Errorf("reads that showed nothing wrote %d entries", after-before)
	}
	w.accounted(east)
}

// TestReadWithoutItsEntryShowsNothing: where the entry cannot be written (here, because there is no randomness for its salt), the auditor gets nothing.
func TestReadWithoutItsEntryShowsNothing(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	size := w.size(east)
	for name, read := range readsOfPeople(w, s) {
		w.random.without(func() {
			if err := read.call(w.admin(east)); err != nil {
				t.Errorf("%s by the clinic needs no entry: %v", name, err)
			}
			if err := read.call(w.auditor(east)); !fault.Is(err, fault.Internal) {
				t.Errorf("%s by the auditor: %v", name, err)
			}
		})
	}
	w.random.without(func() {
		err := w.c.ExportEntries(w.ctx, w.auditor(east), Export{Format: ExportLines}, func([]byte) error {
			t.Error("an export without its entry sends something")
			return nil
		})
		wantFault(t, err, fault.Internal, "RANDOMNESS")
	})
	if after := w.size(east); after != size {
		t.Errorf("%d entries", after-size)
	}
}

// TestListEntriesEnds: the pages of an auditor end, though each page adds an entry; those of a cursor belong to one question.
func TestListEntriesEnds(t *testing.T) {
	t.Parallel()
	w, _ := pushed(t)
	size := w.size(east)
	var numbers []int64
	page := record.Page{Size: 3}
	pages := 0
	for {
		got, err := w.c.ListEntries(w.ctx, w.auditor(east), EntryFilter{}, page)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range got.Items {
			numbers = append(numbers, v.Entry.Number)
		}
		pages++
		if got.Next == "" || pages > 100 {
			break
		}
		page.Cursor = got.Next
	}
	for i, n := range numbers {
		if int64(i) != n {
			t.Fatalf("numbers %v", numbers)
		}
	}
	if int64(len(numbers)) != size || w.size(east) != size+int64(pages) {
		t.Errorf("%d entries shown of %d, in %d pages; the log has %d now", len(numbers), size, pages, w.size(east))
	}
}

func TestListEntriesCursors(t *testing.T) {
	t.Parallel()
	w, _ := pushed(t)
	f := EntryFilter{Action: "member."}
	first := must(w.c.ListEntries(w.ctx, w.admin(east), f, record.Page{Size: 2}))(t)
	if first.Next == "" || len(first.Items) != 2 {
		t.Fatalf("first page %+v", first)
	}
	second := must(w.c.ListEntries(w.ctx, w.admin(east), f, record.Page{Size: 2, Cursor: first.Next}))(t)
	if len(second.Items) != 2 || second.Items[0].Entry.Number <= first.Items[1].Entry.Number {
		t.Errorf("second page %+v", second)
	}
	size := w.size(east)
	parts := strings.Split(first.Next, ".")
	tie := parts[3]
	refused := map[string]struct {
		clinic string
		f      EntryFilter
		cursor string
	}{
		"of another filter":         {east, EntryFilter{Action: "client."}, first.Next},
		"of another period":         {east, EntryFilter{Action: "member.", Since: record.TimeOf(day)}, first.Next},
		"of another clinic":         {west, f, first.Next},
		"of another list":           {east, f, "3"},
		"garbage":                   {east, f, "%%%"},
		"cut short":                 {east, f, first.Next[:len(first.Next)-1]},
		"behind the log's end":      {east, f, fmt.Sprintf("e.1.%d.%s", size, tie)},
		"after its own end":         {east, f, fmt.Sprintf("e.5.4.%s", tie)},
		"spelled in another way":    {east, f, fmt.Sprintf("e.01.4.%s", tie)},
		"negative":                  {east, f, fmt.Sprintf("e.-2.4.%s", tie)},
		"larger than any number":    {east, f, fmt.Sprintf("e.1.9223372036854775808.%s", tie)},
		"with another's first part": {east, f, "l" + first.Next[1:]},
	}
	for name, c := range refused {
		_, err := w.c.ListEntries(w.ctx, w.admin(c.clinic), c.f, record.Page{Size: 2, Cursor: c.cursor})
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != fault.Invalid || len(f.Violations) != 1 || f.Violations[0].Field != "page.cursor" {
			t.Errorf("a cursor %s: %v", name, err)
		}
	}
	if _, err := w.c.ListEntries(w.ctx, w.admin(east), f, record.Page{Size: 2, Cursor: fmt.Sprintf("e.1.%d.%s", size-1, tie)}); err != nil {
		t.Errorf("a cursor up to the last entry: %v", err)
	}
	since := record.TimeOf(day)
	_, err := w.c.ListEntries(w.ctx, w.admin(east), EntryFilter{Since: since, Until: since}, record.Page{})
	wantInvalid(t, err, "filter.until period.order")
	if _, err := w.c.ListEntries(w.ctx, w.admin(east), EntryFilter{Since: since, Until: record.TimeOf(day.Add(time.Microsecond))}, record.Page{}); err != nil {
		t.Errorf("a microsecond is a period: %v", err)
	}
}
