package casework

import (
	"context"
	"fmt"
	"strconv"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// headerOf is a session without its trials: what is stored as its own row. It shares nothing that is written to.
func headerOf(s record.Session) record.Session {
	series := make([]record.Series, len(s.Series))
	copy(series, s.Series)
	for i := range series {
		series[i].Trials = nil
	}
	s.Series = series
	return s
}

// assemble puts a session together again from its header and its trials, which stand by series and number.
func assemble(header []byte, trials []store.TrialRow) (record.Session, error) {
	s, err := read[record.Session](record.KindSession, header)
	if err != nil {
		return record.Session{}, err
	}
	place := make(map[int]*record.Series, len(s.Series))
	for i := range s.Series {
		place[s.Series[i].Number] = &s.Series[i]
	}
	for _, row := range trials {
		t, err := read[record.Trial](record.KindTrial, row.Body)
		if err != nil {
			return record.Session{}, err
		}
		series := place[row.Series]
		if series == nil || t.Number != row.Number {
			return record.Session{}, fault.New(fault.Internal, "STORED_RECORD", "a stored trial does not stand in its session")
		}
		series.Trials = append(series.Trials, t)
	}
	return s, nil
}

// sessionAt reads a session whole; revision 0 is the newest.
func sessionAt(ctx context.Context, tx *store.Tx, id string, revision int) (record.Stored[record.Session], error) {
	row, err := rowAt(ctx, tx, record.KindSession, id, revision)
	if err != nil {
		return record.Stored[record.Session]{}, err
	}
	return wholeSession(ctx, tx, row)
}

func wholeSession(ctx context.Context, tx *store.Tx, row store.Row) (record.Stored[record.Session], error) {
	trials, err := tx.Trials(ctx, row.ID, row.Revision)
	if err != nil {
		return record.Stored[record.Session]{}, err
	}
	s, err := assemble(row.Body, trials)
	return record.Stored[record.Session]{Value: s, Revision: rowRevision(row)}, err
}

func rowAt(ctx context.Context, tx *store.Tx, kind, id string, revision int) (store.Row, error) {
	if revision == 0 {
		return tx.Newest(ctx, kind, id)
	}
	return tx.At(ctx, kind, id, revision)
}

// GetSession returns a session; revision 0 is the newest.
func (c *Casework) GetSession(ctx context.Context, p authn.Principal, id string, revision int) (record.Stored[record.Session], error) {
	var got record.Stored[record.Session]
	clinic, err := clinicOf(p)
	if err != nil {
		return got, err
	}
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		got, err = sessionAt(ctx, tx, id, revision)
		return err
	})
	if err != nil {
		return record.Stored[record.Session]{}, fmt.Errorf("get session: %w", err)
	}
	return got, nil
}

// ListSessions returns one page of revisions of sessions in the order of writing. A cursor is the number of the audit entry after which the
// page begins, so that of the last item seen brings what was written since.
func (c *Casework) ListSessions(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Session], error) {
	return listWritten(ctx, c, p, record.KindSession, page, func(tx *store.Tx, row store.Row) (*record.Stored[record.Session], error) {
		got, err := wholeSession(ctx, tx, row)
		return &got, err
	})
}

// GetFinding returns the finding of a session's revision; revision 0 is the newest.
func (c *Casework) GetFinding(ctx context.Context, p authn.Principal, sessionID string, revision int) (record.Stored[record.Finding], error) {
	var got record.Stored[record.Finding]
	clinic, err := clinicOf(p)
	if err != nil {
		return got, err
	}
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		row, err := rowAt(ctx, tx, record.KindFinding, sessionID, revision)
		if err != nil {
			return err
		}
		got, err = storedOf[record.Finding](record.KindFinding, row)
		return err
	})
	if err != nil {
		return record.Stored[record.Finding]{}, fmt.Errorf("get finding: %w", err)
	}
	return got, nil
}

// ListFindings returns one page of findings in the order of writing. A finding that a later revision has replaced is left out, so that a page
// may have fewer items than asked for.
func (c *Casework) ListFindings(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Finding], error) {
	return listWritten(ctx, c, p, record.KindFinding, page, func(tx *store.Tx, row store.Row) (*record.Stored[record.Finding], error) {
		newest, err := tx.Newest(ctx, record.KindFinding, row.ID)
		if err != nil || newest.Revision != row.Revision {
			return nil, err
		}
		got, err := storedOf[record.Finding](record.KindFinding, row)
		return &got, err
	})
}

// listWritten reads a page by the number of the entry that wrote each row; whole makes an item of a row, or nil to leave it out.
func listWritten[T any](ctx context.Context, c *Casework, p authn.Principal, kind string, page record.Page, whole func(*store.Tx, store.Row) (*record.Stored[T], error)) (record.List[T], error) {
	var out record.List[T]
	size, err := sizeOf(page)
	if err != nil {
		return out, err
	}
	after, err := numberCursor(page.Cursor, -1)
	if err != nil {
		return out, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return out, err
	}
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		out = record.List[T]{}
		rows, err := tx.ListByEntry(ctx, kind, after, size+1)
		if err != nil {
			return err
		}
		if len(rows) > size {
			rows = rows[:size]
			out.Next = strconv.FormatInt(rows[size-1].Entry, 10)
		}
		for _, row := range rows {
			item, err := whole(tx, row)
			if err != nil {
				return err
			}
			if item != nil {
				out.Items = append(out.Items, *item)
			}
		}
		return nil
	})
	if err != nil {
		return record.List[T]{}, fmt.Errorf("list %s: %w", kind, err)
	}
	return out, nil
}
