package store

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// feedHead is one payer's counter.
type feedHead struct {
	payer string
	size  int64
}

const feedHeads = `SELECT payer_id::text, size FROM ponderal.feed_head`

// FeedHeads returns how many items each payer's feed has by its counter, across all clinics.
func (tx *Tx) FeedHeads(ctx context.Context) (map[string]int64, error) {
	got, err := query(ctx, tx, "read feed heads", func(row pgx.CollectableRow) (feedHead, error) {
		var h feedHead
		return h, row.Scan(&h.payer, &h.size)
	}, feedHeads)
	if err != nil {
		return nil, err
	}
	heads := make(map[string]int64, len(got))
	for _, h := range got {
		heads[h.payer] = h.size
	}
	return heads, nil
}
