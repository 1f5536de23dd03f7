package load

import (
	"context"
	"fmt"
	"strconv"

	"github.com/jackc/pgx/v5"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// rawHistory reads what entries wrote, one statement a table, in one round trip.
var rawHistory = []string{
	`SELECT d.entry_number, d.id, d.revision, d.body FROM ponderal.session d WHERE d.clinic_id = $1 AND d.entry_number > $2 AND d.entry_number <= $3`,
	`SELECT t.entry_number, t.session_id, t.series_number, t.trial_number, t.revision, t.body FROM ponderal.session d
		JOIN ponderal.trial t ON t.clinic_id = d.clinic_id AND t.session_id = d.id AND t.entry_number = d.entry_number
		WHERE d.clinic_id = $1 AND d.entry_number > $2 AND d.entry_number <= $3`,
	`SELECT d.entry_number, d.id, d.revision, d.body FROM ponderal.finding d WHERE d.clinic_id = $1 AND d.entry_number > $2 AND d.entry_number <= $3`,
}

// historyPage is how many entries a page of changes looks at at most.
const historyPage = 200

// historyOf are the kinds of record that rawHistory reads: every visit's. The few others of a clinic are not counted.
func historyOf(kind string) bool { return kind == "session" || kind == "trial" || kind == "finding" }

// pull compares a clinic's whole history with a raw read of the same rows, page by page in turn.
func (r *run) pull(ctx context.Context) (Row, error) {
	if err := r.warmed(ctx); err != nil {
		return Row{}, err
	}
	at := r.sites[0]
	p, err := newPusher(r.o.Now, r.service.GRPC, 4)
	if err != nil {
		return Row{}, err
	}
	defer p.close()
	if _, err := p.run(ctx, makeBatch(r.o, r.sites[:1], r.o.Sessions)); err != nil {
		return Row{}, fmt.Errorf("push what is pulled: %w", err)
	}
	var all []slice
	for again := range 3 {
		parts, records, err := r.pullOnce(ctx, at)
		if err != nil {
			return Row{}, err
		}
		all = append(all, parts)
		r.say("  pull %d: %d records\n", again+1, records)
	}
	row := newRow("records", "page", 0.5, all)
	row.Note = fmt.Sprintf("the whole history %d times, %d sessions, trials and findings in pages of at most %d entries and about 2 MB; limit: three queries a page in one round trip",
		len(all), all[0].service.items, historyPage)
	return row, nil
}

// pullOnce pulls the whole history of a clinic; each page is then read raw.
func (r *run) pullOnce(ctx context.Context, at site) (s slice, records int, err error) {
	client := ponderalv1.NewSyncServiceClient(r.conn)
	cursor, after, more := "", int64(-1), true
	for more {
		found := 0
		page, err := inParallel(ctx, r.o.Now, 1, 1, func(ctx context.Context, _, _ int) error {
			got, err := client.PullChanges(as(ctx, at.token), &ponderalv1.PullChangesRequest{Cursor: cursor, Size: historyPage})
			if err != nil {
				return err
			}
			for _, c := range got.GetChanges() {
				for _, rec := range c.GetRecords() {
					if historyOf(rec.GetKind()) {
						found++
					}
				}
			}
			cursor, more = got.GetNextCursor(), got.GetMore()
			return nil
		})
		if err != nil {
			return s, 0, fmt.Errorf("pull changes: %w", err)
		}
		upTo, err := strconv.ParseInt(cursor, 10, 64)
		if err != nil {
			return s, 0, fmt.Errorf("read the cursor: %w", err)
		}
		read := 0
		limit, err := inParallel(ctx, r.o.Now, 1, 1, func(ctx context.Context, _, _ int) error {
			read, err = r.raw.history(ctx, at.clinic, after, upTo)
			return err
		})
		if err != nil {
			return s, 0, fmt.Errorf("raw read: %w", err)
		}
		if read != found {
			return s, 0, fmt.Errorf("entries %d to %d: pulled %d records, read %d rows", after+1, upTo, found, read)
		}
		page.items, limit.items = found, found
		s.service.add(page)
		s.limit.add(limit)
		after = upTo
		records += found
	}
	return s, records, nil
}

func (r *raw) history(ctx context.Context, clinic string, after, upTo int64) (int, error) {
	b := &pgx.Batch{}
	total := 0
	for _, sql := range rawHistory {
		b.Queue(sql, clinic, after, upTo).Query(func(rows pgx.Rows) error {
			n, err := drain(rows)
			total += n
			return err
		})
	}
	err := r.pool.SendBatch(ctx, b).Close()
	return total, err
}
