package auditcheck

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// feedHeads are the counters of the payers' feeds.
func (o Options) feedHeads(ctx context.Context) (map[string]int64, error) {
	var heads map[string]int64
	err := o.Store.ReadClinic(ctx, record.NetworkClinic, func(tx *store.Tx) error {
		var err error
		heads, err = tx.FeedHeads(ctx)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("check audit logs: %w", err)
	}
	return heads, nil
}

// checkHeads compares the counters with the items that were counted in the logs of every clinic. Results may be signed meanwhile, so that the
// count lies between the counters before and after. Where an item itself is wrong, that is what is named.
func (r *Report) checkHeads(before, after map[string]int64) {
	if r.Omitted > 0 || slices.ContainsFunc(r.Problems, func(p Problem) bool { return p.Table == record.KindFeedItem }) {
		return
	}
	all := map[string]bool{}
	for _, counts := range []map[string]int64{before, after, r.fed} {
		for payer := range counts {
			all[payer] = true
		}
	}
	for _, payer := range slices.Sorted(maps.Keys(all)) {
		if n := r.fed[payer]; n < before[payer] || n > after[payer] {
			r.add(Problem{Clinic: record.NetworkClinic, Table: tableFeedHead, Key: "of payer " + payer, Entry: NoEntry,
				What: fmt.Sprintf("it counts %d items, and %d were recorded", after[payer], n)})
		}
	}
}
