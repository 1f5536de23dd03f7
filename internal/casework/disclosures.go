package casework

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// accountingYears is how far back an accounting of disclosures goes that says nothing: six years, 45 CFR 164.528(a)(1).
const accountingYears = 6

// Disclosure is one result shown to a payer once: when, to whom, what and what for, as 45 CFR 164.528(b)(2) asks of an accounting.
type Disclosure struct {
	At        record.Time
	PayerID   string
	PayerName string
	ResultID  string
	SessionID string
	// ReleaseID and Purpose are of the release that it was shown under, as it stood then. They are empty for a disclosure from before entries named
	// their releases; Purpose also where the release was erased.
	ReleaseID string
	Purpose   string
	// RawTrials: the raw trials were shown too, or the entry does not say that they were not; before it did, every result had them inside.
	RawTrials bool
	TokenID   string
	Label     string
	RequestID string
	Entry     int64
}

// DisclosureList is a page of disclosures, oldest first.
type DisclosureList struct {
	Items []Disclosure
	Next  string
}

// ListDisclosures accounts for the disclosures of one client's results, from since on (six years back where it is zero), oldest first. A client whose data were
// erased is accounted for as before: what was shown to whom stays in the log. For the network the read is an entry of the clinic's log.
func (c *Casework) ListDisclosures(ctx context.Context, p authn.Principal, clientID string, since record.Time, page record.Page) (DisclosureList, error) {
	size, err := sizeOf(page)
	if err != nil {
		return DisclosureList{}, err
	}
	from, skip, err := disclosureCursor(page.Cursor)
	if err != nil {
		return DisclosureList{}, err
	}
	clinic, err := ownClinic(p, "")
	if err != nil {
		return DisclosureList{}, err
	}
	if since.IsZero() {
		since = record.TimeOf(c.now().AddDate(-accountingYears, 0, 0))
	}
	var out DisclosureList
	err = c.reading(ctx, p, clinic, func(tx *store.Tx) (shown, error) {
		if _, err := tx.Newest(ctx, record.KindClient, clientID); err != nil && !isErased(err) {
			return shown{}, err
		}
		rows, err := tx.Disclosures(ctx, clientID, from, since.Std(), size+1)
		if err != nil {
			return shown{}, err
		}
		all, err := disclosuresIn(ctx, tx, clientID, rows)
		if err != nil {
			return shown{}, err
		}
		out = disclosurePage(all, from, skip, size)
		if out.Next == "" && len(rows) > size {
			out.Next = disclosurePlace(rows[len(rows)-1].Number+1, 0)
		}
		return shown{"disclosures of a client", []string{subject(record.KindClient, clientID)}}, nil
	})
	if err == nil {
		err = c.namePayers(ctx, out.Items)
	}
	if err != nil {
		return DisclosureList{}, fmt.Errorf("list disclosures: %w", err)
	}
	return out, nil
}

// disclosureCursor is a place in the list: the number of an entry, and how many of its disclosures come before.
func disclosureCursor(cursor string) (entry int64, skip int, err error) {
	if cursor == "" {
		return 0, 0, nil
	}
	number, index, _ := strings.Cut(cursor, ".")
	if entry, err = numberCursor(number, -1); err != nil || entry < 0 {
		return 0, 0, badCursor()
	}
	skip, err = strconv.Atoi(index)
	if err != nil || skip < 0 || strconv.Itoa(skip) != index {
		return 0, 0, badCursor()
	}
	return entry, skip, nil
}

func disclosurePlace(entry int64, skip int) string { return fmt.Sprintf("%d.%d", entry, skip) }

// disclosurePage takes a page from what the entries from a number on disclosed.
func disclosurePage(all []Disclosure, from int64, skip, size int) DisclosureList {
	first := 0
	for first < len(all) && first < skip && all[first].Entry == from {
		first++
	}
	all = all[first:]
	if len(all) <= size {
		return DisclosureList{Items: all}
	}
	last := all[size-1].Entry
	before := 0
	for _, d := range all[:size] {
		if d.Entry == last {
			before++
		}
	}
	if last == from {
		before += first
	}
	return DisclosureList{Items: all[:size], Next: disclosurePlace(last, before)}
}

// disclosuresIn are the client's of what some entries disclosed; an entry for a page of a feed may also hold other people's.
func disclosuresIn(ctx context.Context, tx *store.Tx, clientID string, rows []store.EntryRow) ([]Disclosure, error) {
	var all []Disclosure
	for _, row := range rows {
		of, err := disclosedBy(row)
		if err != nil {
			return nil, err
		}
		all = append(all, of...)
	}
	var results []string
	for _, d := range all {
		results = append(results, d.ResultID)
	}
	sessions, err := tx.ResultsAbout(ctx, clientID, results)
	if err != nil {
		return nil, err
	}
	own := slices.DeleteFunc(all, func(d Disclosure) bool { _, own := sessions[d.ResultID]; return !own })
	for i := range own {
		own[i].SessionID = sessions[own[i].ResultID]
	}
	return own, purposes(ctx, tx, own)
}

// disclosedBy reads one entry. Where it does not say what it showed under which release, its subjects say which results.
func disclosedBy(row store.EntryRow) ([]Disclosure, error) {
	e, err := entryOf(row)
	if err != nil {
		return nil, err
	}
	base := Disclosure{At: e.At, TokenID: e.Actor.TokenID, Label: e.Actor.Label, RequestID: e.Actor.RequestID, Entry: e.Number, RawTrials: true}
	var out []Disclosure
	for _, s := range e.Subjects {
		kind, id, _ := strings.Cut(s, ":")
		switch kind {
		case record.KindPayer:
			base.PayerID = id
		case record.KindResult:
			out = append(out, Disclosure{ResultID: id})
		}
	}
	if len(e.Disclosed) > 0 {
		out = nil
		for _, d := range e.Disclosed {
			out = append(out, Disclosure{ResultID: d.ResultID, ReleaseID: d.ReleaseID, RawTrials: d.RawTrials})
		}
		base.RawTrials = false
	}
	for i, d := range out {
		out[i] = base
		out[i].ResultID, out[i].ReleaseID, out[i].RawTrials = d.ResultID, d.ReleaseID, base.RawTrials || d.RawTrials
	}
	return out, nil
}

// purposes adds what the releases said at the time.
func purposes(ctx context.Context, tx *store.Tx, all []Disclosure) error {
	var uses []store.ReleaseUse
	for _, d := range all {
		if use := (store.ReleaseUse{ReleaseID: d.ReleaseID, Entry: d.Entry}); d.ReleaseID != "" && !slices.Contains(uses, use) {
			uses = append(uses, use)
		}
	}
	if len(uses) == 0 {
		return nil
	}
	bodies, err := tx.ReleasesBefore(ctx, uses)
	if err != nil {
		return err
	}
	for i := range all {
		body, ok := bodies[store.ReleaseUse{ReleaseID: all[i].ReleaseID, Entry: all[i].Entry}]
		if !ok {
			continue
		}
		var r record.Release
		if err := json.Unmarshal(body, &r); err != nil {
			return fault.New(fault.Internal, "STORED_RECORD", "a stored release cannot be read")
		}
		all[i].Purpose = r.Purpose
	}
	return nil
}

// namePayers adds the names that the payers have now. They are the network's records, so they are read apart.
func (c *Casework) namePayers(ctx context.Context, all []Disclosure) error {
	known := make(map[string]string)
	for i := range all {
		id := all[i].PayerID
		if _, there := known[id]; !there {
			payer, err := c.payer(ctx, id)
			if err != nil && !fault.Is(err, fault.NotFound) {
				return err
			}
			known[id] = payer.Name
		}
		all[i].PayerName = known[id]
	}
	return nil
}
