package casework

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// putting is one record about to be stored as a whole document.
type putting struct {
	kind, id string
	clinic   string
	value    any
	expected int
	// about are further subjects of the entry.
	about []string
	// open is true where the clinic's log may have to be opened first.
	open bool
	// check finds broken references; nil when there are none to check. It runs in the transaction, under the head.
	check func(context.Context, *store.Tx) ([]fault.Violation, error)
	// feed adds items to payers' feeds in the same action; nil where there are none.
	feed func(context.Context, *store.Tx) ([]store.FeedRow, error)
}

// put stores a new revision with its entry. The same content again is answered with what is stored, whatever revision was expected.
func (c *Casework) put(ctx context.Context, p authn.Principal, in putting) (record.Revision, error) {
	body, err := canon.Marshal(in.value)
	if err != nil {
		return record.Revision{}, textFault(err)
	}
	var done record.Revision
	err = c.store.InClinic(ctx, in.clinic, func(tx *store.Tx) error {
		if in.open && in.expected == 0 {
			if err := tx.OpenLog(ctx); err != nil {
				return err
			}
		}
		head, err := lockHead(ctx, tx)
		if err != nil {
			return err
		}
		done, err = c.putUnder(ctx, tx, head, p, in, body)
		return err
	})
	if err != nil {
		return record.Revision{}, fmt.Errorf("put %s: %w", in.kind, err)
	}
	return done, nil
}

func (c *Casework) putUnder(ctx context.Context, tx *store.Tx, head auditlog.Head, p authn.Principal, in putting, body []byte) (record.Revision, error) {
	was, err := newestOrNil(ctx, tx, in.kind, in.id)
	if err != nil {
		return record.Revision{}, err
	}
	if was != nil && bytes.Equal(was.Body, body) {
		return rowRevision(*was), nil
	}
	if err := expect(in, was, body); err != nil {
		return record.Revision{}, err
	}
	if in.check != nil {
		broken, err := in.check(ctx, tx)
		if err != nil {
			return record.Revision{}, err
		}
		if err := fault.InvalidFields(broken); err != nil {
			return record.Revision{}, err
		}
	}
	draft := auditlog.Draft{
		ClinicID: in.clinic, Action: in.kind + ".put", Actor: p.Actor(), Subjects: append([]string{subject(in.kind, in.id)}, in.about...),
		Docs: []store.DocRow{{Kind: in.kind, ID: in.id, Revision: in.expected + 1, Body: body}},
		Last: true,
	}
	if in.feed != nil {
		draft.Feed, err = in.feed(ctx, tx)
		if err != nil {
			return record.Revision{}, err
		}
		for _, f := range draft.Feed {
			draft.Subjects = append(draft.Subjects, subject(record.KindResult, f.ResultID))
		}
	}
	entry, err := c.log.Commit(ctx, tx, head, draft, false)
	if err != nil {
		return record.Revision{}, err
	}
	return revisionOf(in.expected+1, entry), nil
}

// expect compares the revision that the caller looked at with the one that is stored.
func expect(in putting, was *store.Row, body []byte) error {
	current := 0
	var fields []fault.Violation
	if was != nil {
		current = was.Revision
		var err error
		if fields, err = differing(in.kind, was.Body, body, current); err != nil {
			return err
		}
	}
	if current == in.expected {
		return nil
	}
	if current == 0 {
		fields = []fault.Violation{{Field: "expected_revision", Rule: "revision.current", Text: "there is no stored revision; expect 0"}}
	}
	return revisionConflict(current, fields)
}

func revisionConflict(current int, fields []fault.Violation) error {
	text := fmt.Sprintf("the record stands at revision %d, which is not the one expected; nothing was stored", current)
	return &fault.Error{Kind: fault.Conflict, Reason: "REVISION_CONFLICT", Text: text, Violations: fields}
}

// textFault answers a record that has no canonical form: only text that is not UTF-8 does that.
func textFault(err error) error {
	return fault.Wrap(fault.Invalid, "TEXT_INVALID", "a text is not UTF-8; nothing was stored", err)
}

// newestOrNil is the newest revision, nil when there is none. One that was erased is neither: nothing is put in its place.
func newestOrNil(ctx context.Context, tx *store.Tx, kind, id string) (*store.Row, error) {
	row, err := tx.Newest(ctx, kind, id)
	switch {
	case isErased(err):
		return nil, erasedForGood(kind)
	case fault.Is(err, fault.NotFound):
		return nil, nil
	case err != nil:
		return nil, err
	}
	return &row, nil
}

// read decodes a stored body.
func read[T any](kind string, body []byte) (T, error) {
	var v T
	if err := json.Unmarshal(body, &v); err != nil {
		// The text of the error could repeat what is stored.
		return v, fault.Newf(fault.Internal, "STORED_RECORD", "a stored %s cannot be read", kind)
	}
	return v, nil
}

// storedOf decodes a row.
func storedOf[T any](kind string, row store.Row) (record.Stored[T], error) {
	v, err := read[T](kind, row.Body)
	return record.Stored[T]{Value: v, Revision: rowRevision(row)}, err
}

// exists is a reference that must lead somewhere in the clinic.
type exists struct{ kind, id, field, text string }

// broken finds the references that lead nowhere.
func broken(ctx context.Context, tx *store.Tx, refs ...exists) ([]fault.Violation, error) {
	var found []fault.Violation
	for _, r := range refs {
		if r.id == "" {
			continue
		}
		row, err := newestOrNil(ctx, tx, r.kind, r.id)
		if err != nil {
			return nil, err
		}
		if row == nil {
			found = append(found, fault.Violation{Field: r.field, Rule: r.kind + ".exists", Text: r.text})
		}
	}
	return found, nil
}

// payerExists looks in the network's own records, before the clinic's transaction begins.
func (c *Casework) payerExists(ctx context.Context, id, field string) ([]fault.Violation, error) {
	var found []fault.Violation
	err := c.store.ReadClinic(ctx, record.NetworkClinic, func(tx *store.Tx) error {
		var err error
		found, err = broken(ctx, tx, exists{record.KindPayer, id, field, "the payer is one of the network's"})
		return err
	})
	return found, err
}
