package casework

import (
	"context"
	"fmt"
	"slices"
	"strconv"

	"golang.org/x/sync/errgroup"

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
	shown, err := c.discloseAll(ctx, p, clinics)
	if err != nil {
		return Feed{}, fmt.Errorf("list feed: %w", err)
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

// clinicsAtOnce is how many clinics of one page are read at the same time; each takes a connection of its own and waits for nothing of the others.
const clinicsAtOnce = 4

// discloseAll discloses the results of several clinics, each clinic in a transaction of its own.
func (c *Casework) discloseAll(ctx context.Context, p authn.Principal, clinics map[string][]string) (map[string]map[string]record.Stored[ResultView], error) {
	names := sortedKeys(clinics)
	got := make([]map[string]record.Stored[ResultView], len(names))
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(clinicsAtOnce)
	for i, clinic := range names {
		group.Go(func() error {
			return aside(func() (err error) {
				got[i], err = c.disclose(ctx, p, clinic, clinics[clinic])
				return err
			})
		})
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	shown := make(map[string]map[string]record.Stored[ResultView], len(names))
	for i, clinic := range names {
		shown[clinic] = got[i]
	}
	return shown, nil
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// disclosing is a result that may be shown, if a live release of its referral covers it; release is then the one that it is shown under.
type disclosing struct {
	id               string
	result           record.Stored[ResultView]
	referral, client string
	scope            candidate
	release          record.Release
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
		head, releases, err := c.lockWithReleases(ctx, tx, found)
		if err != nil {
			return err
		}
		allowed := allowed(p.PayerID, found, releases)
		if len(allowed) == 0 {
			return nil
		}
		_, err = c.log.Commit(ctx, tx, head, auditlog.Draft{
			ClinicID: clinic, Action: record.ActionResultDisclose, Actor: p.Actor(), Subjects: disclosedSubjects(allowed, p.PayerID),
			Disclosed: disclosedUnder(allowed), Last: true,
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

// candidates reads the results with what decides whether they may be shown. Those that are not there are left out.
func (c *Casework) candidates(ctx context.Context, tx *store.Tx, ids []string) ([]disclosing, error) {
	rows, err := tx.Shown(ctx, ids)
	if err != nil {
		return nil, err
	}
	found := make([]disclosing, len(rows))
	for i, row := range rows {
		if found[i], err = c.shownResult(ctx, tx, row); err != nil {
			return nil, err
		}
	}
	return found, nil
}

// allowed keeps the results that a live release of their referral to the payer covers, each as the widest of them lets it be seen. A result that
// awaits a countersignature is not shown.
func allowed(payer string, found []disclosing, releases map[string][]record.Release) []disclosing {
	var out []disclosing
	for _, d := range found {
		release, ok := widest(releases[d.referral], payer, d.scope)
		if !ok || d.result.Value.AwaitsCountersignature {
			continue
		}
		d.release = release
		if !release.RawTrials {
			d.result = withoutTrials(d.result)
		}
		out = append(out, d)
	}
	return out
}

// disclosedUnder says of every result shown under which release it was, and whether with its raw trials.
func disclosedUnder(shown []disclosing) []record.Disclosed {
	out := make([]record.Disclosed, len(shown))
	for i, d := range shown {
		out[i] = record.Disclosed{ResultID: d.id, ReleaseID: d.release.ID, RawTrials: d.release.RawTrials}
	}
	return out
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
