package load

import (
	"context"
	"fmt"
	"strconv"
	"sync/atomic"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

const (
	rawResult = `SELECT r.id, r.entry_number, r.session_id, r.session_revision, r.body, r.path, r.enclosed, r.enclosed_salt
		FROM ponderal.result r WHERE r.clinic_id = $1 AND r.id = $2`
	rawDisclosure = `INSERT INTO ponderal_load.audit_entry (clinic_id, number, at, action, subjects, content, salt, nodes)
		VALUES ($1, $2, now(), $3, $4, $5, $6, $7)`
	newestDisclosure = `SELECT e.action, e.subjects, e.content, e.salt, e.nodes FROM ponderal.audit_entry e
		WHERE e.clinic_id = $1 AND e.action = 'result.disclose' ORDER BY e.number DESC LIMIT 1`
	rawFeed = `SELECT f.number, f.clinic_id, f.result_id, r.session_id, r.session_revision, r.body, r.path, r.enclosed, r.enclosed_salt, e.content, e.salt, c.note
		FROM ponderal.feed_item f
		JOIN ponderal.result r ON r.clinic_id = f.clinic_id AND r.id = f.result_id
		JOIN ponderal.audit_entry e ON e.clinic_id = r.clinic_id AND e.number = r.entry_number
		JOIN ponderal.checkpoint c ON c.clinic_id = r.clinic_id AND c.size = r.entry_number + 1
		WHERE f.payer_id = $1 AND f.number > $2 ORDER BY f.number LIMIT $3`
)

// result compares a payer's reads by id with reading the row and inserting an entry as the service did.
func (r *run) result(ctx context.Context) (Row, error) {
	if err := r.signed(ctx); err != nil {
		return Row{}, err
	}
	client := ponderalv1.NewResultServiceClient(r.conn)
	conns, release, err := r.raw.acquire(ctx, len(r.visits.clinics))
	if err != nil {
		return Row{}, err
	}
	defer release()
	reads := max(r.o.Sessions, slicesPerRow)
	var numbers atomic.Int64
	var parts []slice
	for part := range slicesPerRow {
		n := partOf(reads, part, slicesPerRow)
		var s slice
		s.service, err = inParallel(ctx, r.o.Now, len(conns), n, func(ctx context.Context, _, i int) error {
			v := r.visits.at(part + i)
			got, err := client.GetResult(as(ctx, r.visits.token), &ponderalv1.GetResultRequest{Id: v.result})
			if err == nil && (got.GetResult().GetId() != v.result || got.GetResult().GetBundle().GetJws() == "") {
				err = fmt.Errorf("result %s came without its bundle", v.result)
			}
			return err
		})
		if err != nil {
			return Row{}, fmt.Errorf("get result: %w", err)
		}
		entry, err := r.raw.values(ctx, newestDisclosure, r.visits.at(part).clinic)
		if err != nil || len(entry) != 1 {
			return Row{}, fmt.Errorf("read the entry of a disclosure: %d found: %w", len(entry), err)
		}
		s.limit, err = inParallel(ctx, r.o.Now, len(conns), n, func(ctx context.Context, worker, i int) error {
			return readAndDisclose(ctx, conns[worker], r.visits.at(part+i), numbers.Add(1), entry[0])
		})
		if err != nil {
			return Row{}, fmt.Errorf("raw read: %w", err)
		}
		parts = append(parts, s)
	}
	row := newRow("results", "read", 0.6, parts)
	row.Note = fmt.Sprintf("%d reads of %d results over %d connections; limit: the result's row by prepared statement and an entry of the same size, one transaction",
		reads, len(r.visits.results), len(conns))
	return row, nil
}

func (v *visits) at(i int) visit { return v.results[i%len(v.results)] }

func readAndDisclose(ctx context.Context, conn *pgxpool.Conn, v visit, number int64, entry []any) error {
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		n, err := readRows(ctx, tx, rawResult, v.clinic, v.result)
		if err != nil || n != 1 {
			return fmt.Errorf("result %s: %d rows: %w", v.result, n, err)
		}
		_, err = tx.Exec(ctx, rawDisclosure, append([]any{v.clinic, number}, entry...)...)
		return err
	})
}

// queryer is a connection, a pool or a transaction.
type queryer interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

// readRows reads what a query returns, every value of it, and counts the rows.
func readRows(ctx context.Context, q queryer, sql string, args ...any) (int, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		return 0, err
	}
	return drain(rows)
}

func drain(rows pgx.Rows) (int, error) {
	defer rows.Close()
	n := 0
	for rows.Next() {
		if _, err := rows.Values(); err != nil {
			return 0, err
		}
		n++
	}
	return n, rows.Err()
}

// feedPage is how many results a page of the feed has.
const feedPage = 100

// feed compares a payer's feed to its end with a raw read of the same rows, some pages each in turn.
func (r *run) feed(ctx context.Context) (Row, error) {
	if err := r.signed(ctx); err != nil {
		return Row{}, err
	}
	total, err := r.cloneVisits(ctx, r.o.FeedResults)
	if err != nil {
		return Row{}, err
	}
	client := ponderalv1.NewFeedServiceClient(r.conn)
	pages := (total + feedPage - 1) / feedPage
	cursor, after, seen := "", 0, 0
	var parts []slice
	for part := range slicesPerRow {
		n := partOf(pages, part, slicesPerRow)
		if n == 0 {
			continue
		}
		var s slice
		s.service, err = inParallel(ctx, r.o.Now, 1, n, func(ctx context.Context, _, _ int) error {
			got, err := client.ListFeed(as(ctx, r.visits.token), &ponderalv1.ListFeedRequest{Page: &ponderalv1.Page{Size: feedPage, Cursor: cursor}})
			if err != nil {
				return err
			}
			cursor = got.GetNextCursor()
			return shownWhole(got.GetItems())
		})
		if err != nil {
			return Row{}, fmt.Errorf("list feed: %w", err)
		}
		end, err := strconv.Atoi(cursor)
		if err != nil {
			return Row{}, fmt.Errorf("read the feed's cursor: %w", err)
		}
		s.service.items = end - after
		s.limit, err = inParallel(ctx, r.o.Now, 1, n, func(ctx context.Context, _, i int) error {
			_, err := readRows(ctx, r.raw.pool, rawFeed, r.payer, after+i*feedPage, feedPage)
			return err
		})
		if err != nil {
			return Row{}, fmt.Errorf("raw read: %w", err)
		}
		s.limit.items = s.service.items
		seen, after = seen+s.service.items, end
		parts = append(parts, s)
		r.say("  %d of %d results\n", seen, total)
	}
	if seen != total {
		return Row{}, fmt.Errorf("the feed had %d results, want %d", seen, total)
	}
	row := newRow("results", "page", 0.5, parts)
	row.Note = fmt.Sprintf("%d results in pages of %d, %d of them signed through the API in %d clinics, the others their copies in further clinics; limit: one joined query a page",
		total, feedPage, len(r.visits.results), len(r.visits.clinics))
	return row, nil
}

// shownWhole says that nothing was withheld.
func shownWhole(items []*ponderalv1.FeedItem) error {
	for _, it := range items {
		if it.GetWithheld() || it.GetResult().GetBundle().GetJws() == "" {
			return fmt.Errorf("item %d of the feed was withheld", it.GetNumber())
		}
	}
	return nil
}
