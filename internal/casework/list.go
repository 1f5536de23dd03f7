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

const (
	// usualPage is how many items a page has where the caller does not say.
	usualPage = 50
	// largestPage is the most that a page has.
	largestPage = 500
)

// sizeOf is how many items a page may have.
func sizeOf(page record.Page) (int, error) {
	switch {
	case page.Size == 0:
		return usualPage, nil
	case page.Size < 0 || page.Size > largestPage:
		return 0, fault.InvalidFields([]fault.Violation{{Field: "page.size", Rule: "page.size", Text: "a page has at most 500 items"}})
	}
	return page.Size, nil
}

// badCursor answers a cursor that no page ended with.
func badCursor() error {
	return fault.InvalidFields([]fault.Violation{{Field: "page.cursor", Rule: "page.cursor", Text: "a cursor is the next_cursor of a page before"}})
}

// numberCursor reads a place in a log or feed: decimal, in the one spelling that it has; empty is before the first, given as start.
func numberCursor(cursor string, start int64) (int64, error) {
	if cursor == "" {
		return start, nil
	}
	n, err := strconv.ParseInt(cursor, 10, 64)
	if err != nil || n < 0 || strconv.FormatInt(n, 10) != cursor {
		return 0, badCursor()
	}
	return n, nil
}

// idCursor checks a place in a list by id: a UUID, or a protocol's digest.
func idCursor(kind, cursor string) error {
	size := len(record.NetworkClinic)
	if kind == record.KindProtocol {
		size = 64
	}
	if cursor == "" {
		return nil
	}
	if len(cursor) != size {
		return badCursor()
	}
	for i, c := range []byte(cursor) {
		dash := kind != record.KindProtocol && (i == 8 || i == 13 || i == 18 || i == 23)
		hex := c >= '0' && c <= '9' || c >= 'a' && c <= 'f'
		if dash != (c == '-') || !dash && !hex {
			return badCursor()
		}
	}
	return nil
}

// showable keeps bodies that prove who somebody is from every reader, whatever asks.
func showable(kind string) error {
	if record.Secretive(kind) {
		return fault.Newf(fault.Internal, "SECRETIVE", "a %s is shown to nobody", kind)
	}
	return nil
}

// get reads the newest revision of a document of the principal's clinic.
func get[T any](ctx context.Context, c *Casework, p authn.Principal, kind, id string) (record.Stored[T], error) {
	var none, got record.Stored[T]
	if err := showable(kind); err != nil {
		return none, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return none, err
	}
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		row, err := tx.Newest(ctx, kind, id)
		if err != nil {
			return err
		}
		got, err = storedOf[T](kind, row)
		return err
	})
	if err != nil {
		return none, fmt.Errorf("get %s: %w", kind, err)
	}
	return got, nil
}

// list reads a page of documents of the principal's clinic by id.
func list[T any](ctx context.Context, c *Casework, p authn.Principal, kind string, page record.Page) (record.List[T], error) {
	if err := showable(kind); err != nil {
		return record.List[T]{}, err
	}
	size, err := sizeOf(page)
	if err != nil {
		return record.List[T]{}, err
	}
	if err := idCursor(kind, page.Cursor); err != nil {
		return record.List[T]{}, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return record.List[T]{}, err
	}
	var rows []store.Row
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		rows, err = tx.ListNewest(ctx, kind, page.Cursor, size+1)
		return err
	})
	if err != nil {
		return record.List[T]{}, fmt.Errorf("list %s: %w", kind, err)
	}
	return pageOf(kind, rows, size, func(row store.Row) (T, error) { return read[T](kind, row.Body) })
}

// listNetwork reads a page of clinics or payers of the network.
func listNetwork[T any](ctx context.Context, c *Casework, kind string, page record.Page) (record.List[T], error) {
	size, err := sizeOf(page)
	if err != nil {
		return record.List[T]{}, err
	}
	if err := idCursor(kind, page.Cursor); err != nil {
		return record.List[T]{}, err
	}
	rows, err := c.store.ReadNetwork(ctx, kind, page.Cursor, size+1)
	if err != nil {
		return record.List[T]{}, fmt.Errorf("list %s: %w", kind, err)
	}
	return pageOf(kind, rows, size, func(row store.Row) (T, error) { return read[T](kind, row.Body) })
}

// pageOf makes a page of rows by id; one row more than size says that there is another page.
func pageOf[T any](kind string, rows []store.Row, size int, value func(store.Row) (T, error)) (record.List[T], error) {
	var out record.List[T]
	if len(rows) > size {
		rows = rows[:size]
		out.Next = rows[size-1].ID
	}
	out.Items = make([]record.Stored[T], 0, len(rows))
	for _, row := range rows {
		v, err := value(row)
		if err != nil {
			return record.List[T]{}, fmt.Errorf("list %s: %w", kind, err)
		}
		out.Items = append(out.Items, record.Stored[T]{Value: v, Revision: rowRevision(row)})
	}
	return out, nil
}
