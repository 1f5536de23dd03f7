package store

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
)

// put appends an entry with the given content, whose columns say what the content says.
func put(t testing.TB, s *Store, clinic string, at time.Time, e record.Entry) int64 {
	t.Helper()
	var number int64
	in(t, s, clinic, func(tx *Tx) error {
		size, _, err := tx.LockHead(context.Background())
		if err != nil {
			return err
		}
		number = size
		e.ClinicID, e.Number, e.At = clinic, size, record.TimeOf(at)
		content, err := canon.Marshal(e)
		if err != nil {
			return err
		}
		row := entry(size, e.Action, e.Subjects...)
		row.At, row.Content = at, content
		return tx.Apply(context.Background(), Write{Entry: row, Edge: make([]byte, 32)})
	})
	return number
}

// numbersOf are the numbers of the entries that a filter keeps.
func numbersOf(t *testing.T, s *Store, clinic string, f EntryFilter, limit int) []int64 {
	t.Helper()
	var numbers []int64
	err := s.ReadClinic(context.Background(), clinic, func(tx *Tx) error {
		rows, err := tx.FilteredEntries(context.Background(), f, limit)
		numbers = nil
		for _, row := range rows {
			numbers = append(numbers, row.Number)
		}
		return err
	})
	if err != nil {
		t.Fatalf("%+v: %v", f, err)
	}
	return numbers
}

// twoTrials are the digests of two trials: 64 bytes in base64url without padding.
var twoTrials = fmt.Sprintf("%086d", 0)

// sampleLog is an invented day in a log. The fourth entry's clock was behind.
func sampleLog(t *testing.T) (*Store, *pgtest.DB) {
	t.Helper()
	db := pgtest.New(t)
	s := open(t, db)
	openLogs(t, s, clinicA, clinicB)
	session, dana := id(200), id(102)
	station := record.Actor{TokenID: id(1), Label: `sta"tion`, Role: record.RoleStation, App: `own "app" <1\2>`}
	person := record.Actor{TokenID: id(2), MemberID: dana, Role: record.RoleReviewer, App: "pages"}
	for i, e := range []record.Entry{
		{Action: "client.put", Actor: person, Subjects: []string{"client:" + id(103)}, Records: []record.Written{{Kind: record.KindClient, ID: id(103), Revision: 1}}},
		{Action: "session.push", Actor: station, Subjects: []string{"session:" + session, "client:" + id(103)},
			Records: []record.Written{{Kind: record.KindFinding, ID: session, Revision: 1}, {Kind: record.KindSession, ID: session, Revision: 1,
				Trials: []record.WrittenTrials{{Series: 1, First: 1, Digests: twoTrials}, {Series: 2, First: 4, Digests: twoTrials}}}}},
		// What somebody wrote looks like the members that are looked for.
		{Action: "token.create", Actor: record.Actor{TokenID: id(3)}, Reason: fmt.Sprintf(`"member_id":%q,"kind":"kit" "trials":[ "app":"pages"`, dana),
			Records: []record.Written{{Kind: record.KindToken, ID: id(3), Revision: 1}}},
		{Action: "token.revoke", Actor: person, Records: []record.Written{{Kind: record.KindTokenRevocation, ID: id(3), Revision: 1}}},
		{Action: "trial.correct", Actor: person, Subjects: []string{"session:" + session, "trial:" + session + "/1/2"}},
	} {
		at := now.Add(time.Duration(i) * time.Minute)
		if i == 3 {
			at = now.Add(30 * time.Second)
		}
		put(t, s, clinicA, at, e)
	}
	return s, db
}

func TestFilteredEntries(t *testing.T) {
	t.Parallel()
	s, _ := sampleLog(t)
	session, dana := id(200), id(102)
	const µs = time.Microsecond
	for name, c := range map[string]struct {
		f    EntryFilter
		want []int64
	}{
		"all":                          {EntryFilter{}, []int64{0, 1, 2, 3, 4}},
		"after and up to":              {EntryFilter{After: 1, Upto: 3}, []int64{2, 3}},
		"member":                       {EntryFilter{MemberID: dana}, []int64{0, 3, 4}},
		"another member":               {EntryFilter{MemberID: id(77)}, nil},
		"token":                        {EntryFilter{TokenID: id(1)}, []int64{1}},
		"token that was only written":  {EntryFilter{TokenID: id(3)}, []int64{2}},
		"app":                          {EntryFilter{App: "pages"}, []int64{0, 3, 4}},
		"app with quotes":              {EntryFilter{App: `own "app" <1\2>`}, []int64{1}},
		"app, a part of it":            {EntryFilter{App: "page"}, nil},
		"kind":                         {EntryFilter{Kind: record.KindClient}, []int64{0}},
		"kind token, not a revocation": {EntryFilter{Kind: record.KindToken}, []int64{2}},
		"kind trial":                   {EntryFilter{Kind: record.KindTrial}, []int64{1}},
		"kind that no entry wrote":     {EntryFilter{Kind: record.KindKit}, nil},
		"record written or about":      {EntryFilter{RecordID: session}, []int64{1, 4}},
		"record only written":          {EntryFilter{RecordID: id(3)}, []int64{2, 3}},
		"record, a part of its id":     {EntryFilter{RecordID: id(3)[:20]}, nil},
		"trial written and corrected":  {EntryFilter{RecordID: session + "/1/2"}, []int64{1, 4}},
		"trial of a later run":         {EntryFilter{RecordID: session + "/2/5"}, []int64{1}},
		"trial before its run":         {EntryFilter{RecordID: session + "/2/3"}, nil},
		"trial behind its run":         {EntryFilter{RecordID: session + "/1/3"}, nil},
		"trial of another session":     {EntryFilter{RecordID: id(201) + "/1/1"}, nil},
		"action":                       {EntryFilter{Action: "token.create"}, []int64{2}},
		"beginning of an action":       {EntryFilter{Action: "token."}, []int64{2, 3}},
		"beginning without its point":  {EntryFilter{Action: "token"}, nil},
		"two actions that both hold":   {EntryFilter{Action: "token.", Also: "token.revoke"}, []int64{3}},
		"two actions that cannot":      {EntryFilter{Action: "token.create", Also: "token.revoke"}, nil},
		"subject":                      {EntryFilter{Subject: "client:" + id(103)}, []int64{0, 1}},
		"since a moment, with it":      {EntryFilter{Since: now.Add(time.Minute)}, []int64{1, 2, 4}},
		"since a microsecond later":    {EntryFilter{Since: now.Add(time.Minute + µs)}, []int64{2, 4}},
		"until a moment, without it":   {EntryFilter{Until: now.Add(time.Minute)}, []int64{0, 3}},
		"until a microsecond later":    {EntryFilter{Until: now.Add(time.Minute + µs)}, []int64{0, 1, 3}},
		"everything one did in a time": {EntryFilter{MemberID: dana, Since: now.Add(time.Second), Until: now.Add(4 * time.Minute)}, []int64{3}},
	} {
		if c.f.After == 0 {
			c.f.After = -1
		}
		if c.f.Upto == 0 {
			c.f.Upto = 1 << 40
		}
		if diff := cmp.Diff(c.want, numbersOf(t, s, clinicA, c.f, 10)); diff != "" {
			t.Errorf("%s (-want +got)\n%s", name, diff)
		}
		if got := numbersOf(t, s, clinicB, c.f, 10); got != nil {
			t.Errorf("%s finds %v in another clinic", name, got)
		}
	}
	if got := numbersOf(t, s, clinicA, EntryFilter{After: -1, Upto: 9}, 2); !slices.Equal(got, []int64{0, 1}) {
		t.Errorf("two at most: %v", got)
	}
}

// TestNumbersBetween: an entry whose clock was behind belongs to its period, so the bounds reach to it.
func TestNumbersBetween(t *testing.T) {
	t.Parallel()
	s, _ := sampleLog(t)
	for name, c := range map[string]struct {
		since, until time.Time
		first, last  int64
	}{
		"no bound":                {time.Time{}, time.Time{}, 0, 4},
		"one behind its number":   {now, now.Add(time.Minute), 0, 3},
		"to the microsecond":      {now.Add(time.Minute), now.Add(time.Minute + time.Microsecond), 1, 1},
		"nothing at that time":    {now.Add(time.Hour), time.Time{}, 0, -1},
		"nothing before the log":  {time.Time{}, now, 0, -1},
		"from a moment to no end": {now.Add(4 * time.Minute), time.Time{}, 4, 4},
	} {
		err := s.ReadClinic(context.Background(), clinicA, func(tx *Tx) error {
			first, last, err := tx.NumbersBetween(context.Background(), c.since, c.until)
			if first != c.first || last != c.last {
				t.Errorf("%s: %d to %d, want %d to %d", name, first, last, c.first, c.last)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

// TestErasedEntries: entries without content are found by what their columns say, and by which entry they were erased.
func TestErasedEntries(t *testing.T) {
	t.Parallel()
	s, db := sampleLog(t)
	by := put(t, s, clinicA, now, record.Entry{Action: record.ActionClientErase, Erased: []int64{0, 1}})
	super := connect(t, db.SuperURL)
	for _, sql := range []string{"SET session_replication_role = replica",
		"UPDATE ponderal.audit_entry SET content = NULL, salt = NULL WHERE clinic_id = '" + clinicA + "' AND number < 2"} {
		if _, err := super.Exec(context.Background(), sql); err != nil {
			t.Fatal(err)
		}
	}
	all := EntryFilter{After: -1, Upto: 9}
	if got := numbersOf(t, s, clinicA, all, 10); len(got) != 6 {
		t.Errorf("all entries: %v", got)
	}
	all.RecordID = id(103)
	if got := numbersOf(t, s, clinicA, all, 10); !slices.Equal(got, []int64{0, 1}) {
		t.Errorf("by their subjects: %v", got)
	}
	all.RecordID, all.MemberID = "", id(102)
	if got := numbersOf(t, s, clinicA, all, 10); !slices.Equal(got, []int64{3, 4}) {
		t.Errorf("by who did it: %v, and the erased one says no more who", got)
	}
	err := s.ReadClinic(context.Background(), clinicA, func(tx *Tx) error {
		got, err := tx.FilteredEntries(context.Background(), EntryFilter{After: -1, Upto: 2}, 10)
		if len(got) != 3 || got[0].ErasedBy != by || got[0].Content != nil || got[1].ErasedBy != by || got[2].ErasedBy != 0 {
			t.Errorf("erased by entry %d, but: %+v", by, got)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}
