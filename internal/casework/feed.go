package casework

import (
	"context"
	"fmt"
	"slices"
	"strconv"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// ListFeed returns what was released to the payer after the cursor. Of a result whose authorization has ended only the id is shown. Each
// page with results is an audit entry in every clinic it touches; should a page fail halfway, a clinic's log may hold an entry for
// results that did not arrive, never the reverse.
func (c *Casework) ListFeed(ctx context.Context, p authn.Principal, page record.Page) (Feed, error) {
	if p.PayerID == "" {
		return Feed{}, fault.New(fault.Denied, "PAYER_ONLY", "the feed is for payers")
	}
	size, err := sizeOf(page)
	if err != nil {
		return Feed{}, err
	}
	after, err := numberCursor(page.Cursor, 0)
	if err != nil {
		return Feed{}, err
	}
	rows, err := c.store.ReadFeed(ctx, p.PayerID, after, size+1)
	if err != nil {
		return Feed{}, fmt.Errorf("list feed: %w", err)
	}
	feed := Feed{More: len(rows) > size}
	rows = rows[:min(len(rows), size)]
	clinics := make(map[string][]string)
	for _, r := range rows {
		clinics[r.ClinicID] = append(clinics[r.ClinicID], r.ResultID)
		after = r.Number
	}
	feed.Next = strconv.FormatInt(after, 10)
	shown := make(map[string]map[string]record.Stored[ResultView], len(clinics))
	for _, clinic := range sortedKeys(clinics) {
		if shown[clinic], err = c.disclose(ctx, p, clinic, clinics[clinic]); err != nil {
			return Feed{}, fmt.Errorf("list feed: %w", err)
		}
	}
	for _, r := range rows {
		item := FeedItem{Number: r.Number}
		var ok bool
		if item.Result, ok = shown[r.ClinicID][r.ResultID]; !ok {
			item.Withheld = true
			item.Result = record.Stored[ResultView]{Value: ResultView{ID: r.ResultID}}
		}
		feed.Items = append(feed.Items, item)
	}
	return feed, nil
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// disclosing is a result that may be shown, if its referral has a live release.
type disclosing struct {
	id               string
	result           record.Stored[ResultView]
	referral, client string
}

// disclose reads results of one clinic for a payer, and records the disclosure in the same transaction. Those without a live release are
// not in what it returns, and are not told apart from those that are not there. Releases are judged with the log's head taken, so that
// a withdrawal is either before the disclosure in the log and heeded, or after it.
func (c *Casework) disclose(ctx context.Context, p authn.Principal, clinic string, ids []string) (map[string]record.Stored[ResultView], error) {
	var shown map[string]record.Stored[ResultView]
	err := c.store.InClinic(ctx, clinic, func(tx *store.Tx) error {
		shown = make(map[string]record.Stored[ResultView], len(ids))
		found, err := c.candidates(ctx, tx, ids)
		if err != nil || len(found) == 0 {
			return err
		}
		head, err := lockHead(ctx, tx)
		if err != nil {
			return err
		}
		allowed, err := c.allowed(ctx, tx, p.PayerID, found)
		if err != nil || len(allowed) == 0 {
			return err
		}
		_, err = c.log.Commit(ctx, tx, head, auditlog.Draft{
			ClinicID: clinic, Action: record.ActionResultDisclose, Actor: p.Actor(), Subjects: disclosedSubjects(allowed, p.PayerID), Last: true,
		}, false)
		if err != nil {
			return err
		}
		for _, d := range allowed {
			shown[d.id] = d.result
		}
		return nil
	})
	return shown, err
}

// candidates reads the results with what decides whether they may be shown.
func (c *Casework) candidates(ctx context.Context, tx *store.Tx, ids []string) ([]disclosing, error) {
	var found []disclosing
	for _, id := range ids {
		row, err := tx.Result(ctx, id)
		if fault.Is(err, fault.NotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		result, doc, err := c.bundled(ctx, tx, row)
		if err != nil {
			return nil, err
		}
		found = append(found, disclosing{id: id, result: result, referral: doc.Referral.ID, client: doc.Client.ID})
	}
	return found, nil
}

// allowed keeps the results whose referral has a live release to the payer.
func (c *Casework) allowed(ctx context.Context, tx *store.Tx, payer string, found []disclosing) ([]disclosing, error) {
	now := record.TimeOf(c.now())
	released := make(map[string]bool)
	var out []disclosing
	for _, d := range found {
		ok, known := released[d.referral]
		if !known {
			releases, err := liveReleases(ctx, tx, d.referral, now)
			if err != nil {
				return nil, err
			}
			ok = slices.ContainsFunc(releases, func(r record.Release) bool { return r.PayerID == payer })
			released[d.referral] = ok
		}
		if ok {
			out = append(out, d)
		}
	}
	return out, nil
}

// disclosedSubjects names every result shown, with its referral and client, and the payer.
func disclosedSubjects(shown []disclosing, payer string) []string {
	var out []string
	add := func(s string) {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	for _, d := range shown {
		add(subject(record.KindResult, d.id))
		add(subject(record.KindReferral, d.referral))
		add(subject(record.KindClient, d.client))
	}
	add(subject(record.KindPayer, payer))
	return out
}
