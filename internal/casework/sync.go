package casework

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

const (
	// usualChanges and mostChanges are how many entries one page of changes looks at.
	usualChanges = 200
	mostChanges  = 2000
	// pageBytes is about how large the records of one page get; a single entry may be larger.
	pageBytes = 2 << 20
	// lookAgain is how long a watcher goes without looking although nobody woke it.
	lookAgain = 15 * time.Second
)

// Change is one entry of a clinic's log with the records that it wrote. The body of an erased record is empty.
type Change struct {
	Entry   int64
	At      record.Time
	Action  string
	Records []ChangedRecord
}

// ChangedRecord is one record as it is stored.
type ChangedRecord struct {
	Kind, ID string
	Revision int
	Body     []byte
}

// ChangeList is a page of changes; Next is the place after the last entry looked at, never empty.
type ChangeList struct {
	Changes []Change
	Next    string
	More    bool
}

// stationKinds are the kinds of which a station's app reads changes: what it may read one by one.
var stationKinds = []string{record.KindSession, record.KindTrial, record.KindFinding, record.KindClinic, record.KindMember, record.KindClient,
	record.KindReferral, record.KindJobProfile, record.KindKit, record.KindProtocol, record.KindSessionConflict}

// kindsFor are the kinds whose changes a role follows.
func kindsFor(r record.Role) []string {
	if r == record.RoleStation {
		return stationKinds
	}
	return store.ChangeKinds()
}

// PullChanges returns what was written in the clinic after the cursor, entry by entry in the order of the log: every change once, none left out.
func (c *Casework) PullChanges(ctx context.Context, p authn.Principal, page record.Page) (ChangeList, error) {
	clinic, after, size, err := changesFrom(p, page)
	if err != nil {
		return ChangeList{}, err
	}
	list, err := c.changes(ctx, clinic, kindsFor(p.Role), after, size)
	if err != nil {
		return ChangeList{}, fmt.Errorf("pull changes: %w", err)
	}
	return list, nil
}

func changesFrom(p authn.Principal, page record.Page) (clinic string, after int64, size int, err error) {
	if clinic, err = clinicOf(p); err != nil {
		return "", 0, 0, err
	}
	if page.Size < 0 || page.Size > mostChanges {
		return "", 0, 0, invalid("size", "page.size", fmt.Sprintf("a page has at most %d entries", mostChanges))
	}
	if size = page.Size; size == 0 {
		size = usualChanges
	}
	after, err = numberCursor(page.Cursor, -1)
	return clinic, after, size, err
}

// changes reads one page. It looks at few entries at a time, so that no page takes much more room than pageBytes.
func (c *Casework) changes(ctx context.Context, clinic string, kinds []string, after int64, size int) (ChangeList, error) {
	const atOnce = 32
	list := ChangeList{}
	err := c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		list = ChangeList{}
		next, looked, weight := after, 0, 0
		for looked < size && weight < pageBytes {
			got, err := tx.Changes(ctx, next, min(atOnce, size-looked), kinds)
			if err != nil {
				return err
			}
			if next >= got.Size {
				return invalid("cursor", "page.cursor", "the cursor is a place in this clinic's log: the next_cursor of an earlier answer")
			}
			for _, change := range changesOf(got) {
				list.Changes = append(list.Changes, change)
				weight += change.weight()
			}
			looked += len(got.Entries)
			if len(got.Entries) > 0 {
				next = got.Entries[len(got.Entries)-1].Number
			}
			if list.More = next+1 < got.Size; !list.More {
				break
			}
		}
		list.Next = strconv.FormatInt(next, 10)
		return nil
	})
	return list, err
}

// weight is about how much room a change takes.
func (ch Change) weight() int {
	n := 64
	for _, r := range ch.Records {
		n += 64 + len(r.Body)
	}
	return n
}

// changesOf puts the records to their entries. Entries that wrote none are left out.
func changesOf(got store.Changes) []Change {
	var out []Change
	rows := got.Rows
	for _, e := range got.Entries {
		change := Change{Entry: e.Number, At: record.TimeOf(e.At), Action: e.Action}
		n := 0
		for n < len(rows) && rows[n].Entry == e.Number {
			n++
		}
		for _, r := range rows[:n] {
			change.Records = append(change.Records, ChangedRecord{Kind: r.Kind, ID: r.ID, Revision: r.Revision, Body: shownBody(r.Body)})
		}
		rows = rows[n:]
		if e.Action == record.ActionClientErase {
			change.Records = erasedRecords(e.Subjects)
		}
		if len(change.Records) > 0 {
			out = append(out, change)
		}
	}
	return out
}

// shownBody is empty for a record that was erased.
func shownBody(body []byte) []byte {
	if string(body) == record.Erased {
		return nil
	}
	return body
}

// erasedRecords tells a follower which records to erase: all revisions of those that an erasure names.
func erasedRecords(subjects []string) []ChangedRecord {
	var out []ChangedRecord
	for _, s := range subjects {
		if kind, id, ok := strings.Cut(s, ":"); ok && slices.Contains(store.ChangeKinds(), kind) {
			out = append(out, ChangedRecord{Kind: kind, ID: id})
		}
	}
	return out
}

// WatchChanges hands every change after the cursor to send, in the order of the log, and goes on with what is written from then on, until ctx ends or
// send fails. Wake-ups only make it look sooner: what it sends comes from the log by the cursor. A page without changes is a sign of life.
func (c *Casework) WatchChanges(ctx context.Context, p authn.Principal, cursor string, send func(ChangeList) error) error {
	clinic, after, size, err := changesFrom(p, record.Page{Cursor: cursor})
	if err != nil {
		return err
	}
	woken, stop := c.store.Watch(clinic)
	defer stop()
	for {
		list, err := c.changes(ctx, clinic, kindsFor(p.Role), after, size)
		if err != nil {
			return fmt.Errorf("watch changes: %w", err)
		}
		if err := send(list); err != nil {
			return err
		}
		if after, err = numberCursor(list.Next, -1); err != nil {
			return fault.Wrap(fault.Internal, "CURSOR", "an internal error", err)
		}
		if list.More {
			continue
		}
		timer := time.NewTimer(lookAgain)
		select {
		case <-ctx.Done():
			timer.Stop()
			return ctx.Err()
		case <-woken:
			timer.Stop()
		case <-timer.C:
		}
	}
}
