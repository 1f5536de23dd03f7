package casework

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// candidate is a result as releases are held against it. line are its id and those of the results that it replaces, newest first. whole says that
// its trials stand in the signed text, so that it can only be shown with them.
type candidate struct {
	line  []string
	whole bool
}

// scopeOf is a stored result with what it replaces.
func scopeOf(ctx context.Context, tx *store.Tx, row store.ResultRow, doc record.ResultDocument) (candidate, error) {
	line, err := lineOf(ctx, tx, row.SessionID, row.ID)
	return candidate{line: line, whole: doc.Format == record.ResultFormat}, err
}

// lineOf are the ids of a result of a session and of those that it replaces, one after the other.
func lineOf(ctx context.Context, tx *store.Tx, sessionID, id string) ([]string, error) {
	results, err := tx.ResultsOfSession(ctx, sessionID)
	if err != nil {
		return nil, err
	}
	line := []string{id}
	// A result replaces an earlier one, so that one pass from the newest meets each of them.
	for _, r := range slices.Backward(results) {
		if r.ID == line[len(line)-1] && r.Supersedes != "" {
			line = append(line, r.Supersedes)
		}
	}
	return line, nil
}

// covers reports whether a release says of a result that it may be seen: it lists none, or lists the result or one that the result replaces. Who
// may see a result may see its correction, and must not be left with the one that was wrong.
func covers(r record.Release, c candidate) bool {
	listed := len(r.ResultIDs) == 0 || slices.ContainsFunc(c.line, func(id string) bool { return slices.Contains(r.ResultIDs, id) })
	return listed && (r.RawTrials || !c.whole)
}

// widest is the one of live releases that a payer is shown a result under: with raw trials before without, for all results before listed ones, then
// the one that ends last; ok is false where none covers it.
func widest(releases []record.Release, payer string, c candidate) (best record.Release, ok bool) {
	for _, r := range releases {
		if r.PayerID == payer && covers(r, c) && (!ok || wider(r, best) > 0) {
			best, ok = r, true
		}
	}
	return best, ok
}

// wider compares what two releases allow. Equal ones are told apart by their ids, so that the choice is always the same.
func wider(a, b record.Release) int {
	return cmp.Or(truth(a.RawTrials)-truth(b.RawTrials), truth(len(a.ResultIDs) == 0)-truth(len(b.ResultIDs) == 0),
		a.ExpiresAt.Std().Compare(b.ExpiresAt.Std()), strings.Compare(b.ID, a.ID))
}

func truth(b bool) int {
	if b {
		return 1
	}
	return 0
}

// released reports whether a payer may see a result of a referral now.
func (c *Casework) released(ctx context.Context, tx *store.Tx, referral, payer string, of candidate) (bool, error) {
	releases, err := liveReleases(ctx, tx, referral, record.TimeOf(c.now()))
	if err != nil {
		return false, err
	}
	_, ok := widest(releases, payer, of)
	return ok, nil
}

// releaseLists checks that a release lists results of its referral, and that it can be followed: a result that was signed with its trials inside
// cannot be shown without them. A release may be withdrawn whatever it lists.
func (c *Casework) releaseLists(ctx context.Context, tx *store.Tx, v record.Release) ([]fault.Violation, error) {
	if v.Revoked {
		return nil, nil
	}
	results, err := tx.ResultsOfReferral(ctx, v.ReferralID)
	if err != nil {
		return nil, err
	}
	var wrong []fault.Violation
	listed := make(map[string]string, len(v.ResultIDs))
	for i, id := range v.ResultIDs {
		field := fmt.Sprintf("release.result_ids[%d]", i)
		listed[id] = field
		if !slices.ContainsFunc(results, func(r store.ResultRow) bool { return r.ID == id }) {
			wrong = append(wrong, fault.Violation{Field: field, Rule: "release.result", Text: "a listed result is one of the referral"})
		}
	}
	if v.RawTrials {
		return wrong, nil
	}
	for _, row := range results {
		field, ok := listed[row.ID]
		if !ok && (len(v.ResultIDs) > 0 || row.SupersededBy != "") {
			continue
		}
		doc, _, err := c.open(row)
		if err != nil {
			return nil, err
		}
		if doc.Format == record.ResultFormat {
			wrong = append(wrong, fault.Violation{Field: cmp.Or(field, "release.with_raw_trials"), Rule: "release.trials_inside",
				Text: "result " + row.ID + " was signed with its raw trials inside and cannot be shown without them: release it with raw trials, list other results, or have it signed anew"})
		}
	}
	return wrong, nil
}
