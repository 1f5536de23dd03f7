package casework

import (
	"context"
	"fmt"
	"strings"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// names looks up printed names of actors, each member once.
type names struct {
	tx    *store.Tx
	known map[string]string
}

func (n *names) of(ctx context.Context, a record.Actor) (string, error) {
	if name, ok := n.known[a.MemberID]; ok && a.MemberID != "" {
		return name, nil
	}
	name, err := nameOf(ctx, n.tx, a)
	if err != nil {
		return "", err
	}
	if n.known == nil {
		n.known = make(map[string]string)
	}
	if a.MemberID != "" {
		n.known[a.MemberID] = name
	}
	return name, nil
}

func (n *names) view(ctx context.Context, row store.EntryRow) (EntryView, error) {
	e, err := entryOf(row)
	if err != nil {
		return EntryView{}, err
	}
	if row.Content == nil {
		e.ClinicID = n.tx.ClinicID()
		return EntryView{Entry: e, ErasedBy: row.ErasedBy}, nil
	}
	name, err := n.of(ctx, e.Actor)
	return EntryView{Entry: e, ActorName: name}, err
}

// ListEntries returns one page of the clinic's log in order, as far as the log went at the first page. A cursor belongs to its filter and clinic.
func (c *Casework) ListEntries(ctx context.Context, p authn.Principal, f EntryFilter, page record.Page) (EntryList, error) {
	size, err := sizeOf(page)
	if err != nil {
		return EntryList{}, err
	}
	if err := f.check(); err != nil {
		return EntryList{}, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return EntryList{}, err
	}
	tie, err := bound("entries", clinic, f)
	if err != nil {
		return EntryList{}, err
	}
	begun, err := entryCursor(page.Cursor, tie)
	if err != nil {
		return EntryList{}, err
	}
	var out EntryList
	err = c.reading(ctx, p, clinic, func(tx *store.Tx) (shown, error) {
		at, err := goOn(ctx, tx, f, begun)
		if err != nil {
			return shown{}, err
		}
		out, err = pageOfEntries(ctx, tx, f, at, size, tie)
		return shown{what: f.listed(out.Items), subjects: f.about()}, err
	})
	if err != nil {
		return EntryList{}, fmt.Errorf("list entries: %w", err)
	}
	return out, nil
}

// goOn is the span that is left of a list. What a cursor says of the log must be true of it.
func goOn(ctx context.Context, tx *store.Tx, f EntryFilter, begun *span) (span, error) {
	if begun == nil {
		return spanOf(ctx, tx, f, -1)
	}
	size, _, err := tx.Head(ctx)
	if err != nil && !fault.Is(err, fault.NotFound) {
		return span{}, err
	}
	if begun.last >= size {
		return span{}, badCursor()
	}
	return *begun, nil
}

func pageOfEntries(ctx context.Context, tx *store.Tx, f EntryFilter, at span, size int, tie string) (EntryList, error) {
	var out EntryList
	rows, err := tx.FilteredEntries(ctx, f.stored(at), size+1)
	if err != nil {
		return out, err
	}
	if len(rows) > size {
		rows = rows[:size]
		out.Next = cursorOf(span{after: rows[size-1].Number, last: at.last}, tie)
	}
	n := names{tx: tx}
	for _, row := range rows {
		v, err := n.view(ctx, row)
		if err != nil {
			return out, err
		}
		out.Items = append(out.Items, v)
	}
	return out, nil
}

// listed says what a page of the log showed.
func (f EntryFilter) listed(items []EntryView) string {
	text := "entries: " + f.words()
	if len(items) == 0 {
		return text + "; none shown"
	}
	return fmt.Sprintf("%s; %d shown, from %d to %d", text, len(items), items[0].Entry.Number, items[len(items)-1].Entry.Number)
}

// cursorOf writes a place in a list of entries: `e.AFTER.LAST.TIE`.
func cursorOf(at span, tie string) string {
	return fmt.Sprintf("e.%d.%d.%s", at.after, at.last, tie)
}

// entryCursor reads a place that cursorOf wrote for the same list; empty is nil, the start.
func entryCursor(cursor, tie string) (*span, error) {
	if cursor == "" {
		return nil, nil
	}
	var at span
	parts := strings.Split(cursor, ".")
	if len(parts) != 4 {
		return nil, badCursor()
	}
	var err, err2 error
	at.after, err = numberCursor(parts[1], -1)
	at.last, err2 = numberCursor(parts[2], -1)
	if err != nil || err2 != nil || at.after > at.last || cursorOf(at, tie) != cursor {
		return nil, badCursor()
	}
	return &at, nil
}

// GetEntry returns one entry with its proof against the log as it stands. Of an entry that was erased the proof has neither content nor salt.
func (c *Casework) GetEntry(ctx context.Context, p authn.Principal, number int64) (EntryView, Proof, error) {
	clinic, err := clinicOf(p)
	if err != nil {
		return EntryView{}, Proof{}, err
	}
	var view EntryView
	var proof Proof
	err = c.reading(ctx, p, clinic, func(tx *store.Tx) (shown, error) {
		got, err := c.log.Prove(ctx, tx, clinic, number, 0)
		if err != nil {
			return shown{}, err
		}
		proof = proofOf(got)
		row, err := tx.Entry(ctx, number)
		if err != nil {
			return shown{}, err
		}
		n := names{tx: tx}
		view, err = n.view(ctx, row)
		return shown{what: fmt.Sprintf("entry %d", number), subjects: row.Subjects}, err
	})
	if err != nil {
		return EntryView{}, Proof{}, fmt.Errorf("get entry: %w", err)
	}
	return view, proof, nil
}

func proofOf(p auditlog.Proof) Proof {
	return Proof{Entry: string(p.Entry), Salt: p.Salt, Path: p.Path, Checkpoint: p.Checkpoint}
}

// GetCheckpoint returns the signed head of the clinic's log as it stands now.
func (c *Casework) GetCheckpoint(ctx context.Context, p authn.Principal) (Checkpoint, error) {
	clinic, err := clinicOf(p)
	if err != nil {
		return Checkpoint{}, err
	}
	var out Checkpoint
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		out.Note, out.Size, out.Root, err = c.log.Checkpoint(ctx, tx, clinic)
		return err
	})
	if err != nil {
		return Checkpoint{}, fmt.Errorf("get checkpoint: %w", err)
	}
	return out, nil
}
