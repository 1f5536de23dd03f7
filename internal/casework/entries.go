package casework

import (
	"context"
	"fmt"
	"strconv"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
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

// ListEntries returns one page of the clinic's log in order. A cursor is the number of the entry after which the page begins.
func (c *Casework) ListEntries(ctx context.Context, p authn.Principal, f EntryFilter, page record.Page) (EntryList, error) {
	size, err := sizeOf(page)
	if err != nil {
		return EntryList{}, err
	}
	after, err := numberCursor(page.Cursor, -1)
	if err != nil {
		return EntryList{}, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return EntryList{}, err
	}
	var out EntryList
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		out = EntryList{}
		rows, err := tx.Entries(ctx, after, f.Action, f.Subject, size+1)
		if err != nil {
			return err
		}
		if len(rows) > size {
			rows = rows[:size]
			out.Next = strconv.FormatInt(rows[size-1].Number, 10)
		}
		n := names{tx: tx}
		for _, row := range rows {
			v, err := n.view(ctx, row)
			if err != nil {
				return err
			}
			out.Items = append(out.Items, v)
		}
		return nil
	})
	if err != nil {
		return EntryList{}, fmt.Errorf("list entries: %w", err)
	}
	return out, nil
}

// GetEntry returns one entry with its proof against the log as it stands. Of an entry that was erased the proof has neither content nor salt.
func (c *Casework) GetEntry(ctx context.Context, p authn.Principal, number int64) (EntryView, Proof, error) {
	clinic, err := clinicOf(p)
	if err != nil {
		return EntryView{}, Proof{}, err
	}
	var view EntryView
	var proof Proof
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		got, err := c.log.Prove(ctx, tx, clinic, number, 0)
		if err != nil {
			return err
		}
		proof = proofOf(got)
		row, err := tx.Entry(ctx, number)
		if err != nil {
			return err
		}
		n := names{tx: tx}
		view, err = n.view(ctx, row)
		return err
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
