package casework

import (
	"context"
	"fmt"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// shown is what a read showed, in words and as subjects (`kind:id`), for the entry that records it.
type shown struct {
	what     string
	subjects []string
}

// recordsReads reports whether what the principal is shown of people is recorded: it is for whoever is not of the clinic. A payer's reads are disclosures, with
// entries of their own; the clinic's own people read what they work with.
func recordsReads(p authn.Principal) bool { return p.Network }

// reading runs fn over a clinic's rows. For a principal whose reads are recorded it is a writing transaction, whose last statement is the entry that
// says what fn says that it showed: without it nothing is answered. fn may run more than once.
func (c *Casework) reading(ctx context.Context, p authn.Principal, clinic string, fn func(*store.Tx) (shown, error)) error {
	if !recordsReads(p) {
		return c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
			_, err := fn(tx)
			return err
		})
	}
	return c.store.InClinic(ctx, clinic, func(tx *store.Tx) error {
		s, err := fn(tx)
		if err != nil {
			return err
		}
		return c.recordRead(ctx, tx, p, s.what, s.subjects)
	})
}

// recordRead appends the entry of a read to the log of the transaction's clinic and commits; nothing may follow. It takes the head only now, so that a long
// read holds up nobody who writes.
func (c *Casework) recordRead(ctx context.Context, tx *store.Tx, p authn.Principal, what string, subjects []string) error {
	head, err := lockHead(ctx, tx)
	if err != nil {
		return err
	}
	_, err = c.log.Commit(ctx, tx, head, auditlog.Draft{
		ClinicID: tx.ClinicID(), Action: record.ActionRecordRead, Actor: p.Actor(), Reason: what, Subjects: subjects, Last: true,
	}, false)
	return err
}

// listRead is list for documents about people, read also by whoever is not of the clinic.
func listRead[T any](ctx context.Context, c *Casework, p authn.Principal, kind string, page record.Page) (record.List[T], error) {
	if !recordsReads(p) {
		return list[T](ctx, c, p, kind, page)
	}
	var none, out record.List[T]
	size, err := sizeOf(page)
	if err != nil {
		return none, err
	}
	if err := idCursor(kind, page.Cursor); err != nil {
		return none, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return none, err
	}
	err = c.reading(ctx, p, clinic, func(tx *store.Tx) (shown, error) {
		rows, err := tx.ListNewest(ctx, kind, page.Cursor, size+1)
		if err != nil {
			return shown{}, err
		}
		out, err = pageOf(kind, rows, size, func(row store.Row) (T, error) { return read[T](kind, row.Body) })
		said := shown{what: fmt.Sprintf("list of %s: %d shown", kind, len(out.Items))}
		for _, row := range rows[:min(len(rows), size)] {
			said.subjects = append(said.subjects, subject(kind, row.ID))
		}
		return said, err
	})
	if err != nil {
		return none, fmt.Errorf("list %s: %w", kind, err)
	}
	return out, nil
}

// aboutSession names a session with its referral and client, as far as they are still there.
func aboutSession(ctx context.Context, tx *store.Tx, id string) ([]string, error) {
	subjects := []string{subject(record.KindSession, id)}
	row, err := tx.Newest(ctx, record.KindSession, id)
	if isErased(err) {
		return subjects, nil
	}
	if err != nil {
		return nil, err
	}
	s, err := read[record.Session](record.KindSession, row.Body)
	if err != nil {
		return nil, err
	}
	subjects = append(subjects, subject(record.KindReferral, s.ReferralID))
	row, err = tx.Newest(ctx, record.KindReferral, s.ReferralID)
	if fault.Is(err, fault.NotFound) {
		return subjects, nil
	}
	if err != nil {
		return nil, err
	}
	r, err := read[record.Referral](record.KindReferral, row.Body)
	return append(subjects, subject(record.KindClient, r.ClientID)), err
}
