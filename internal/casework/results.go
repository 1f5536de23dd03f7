package casework

import (
	"context"
	"fmt"
	"strconv"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// open verifies a stored result and reads it. What does not verify is not shown.
func (c *Casework) open(row store.ResultRow) (record.ResultDocument, string, error) {
	payload, kid, err := seal.VerifyJWS(c.ring, row.JWS)
	if err == nil {
		var doc record.ResultDocument
		if doc, err = bundle.Parse(payload); err == nil {
			return doc, kid, nil
		}
	}
	return record.ResultDocument{}, "", fault.Wrap(fault.Internal, "STORED_RESULT", "a stored result does not verify; run the audit check", err)
}

// view is a stored result as it is shown, without its bundle.
func (c *Casework) view(row store.ResultRow) (record.Stored[ResultView], record.ResultDocument, error) {
	doc, kid, err := c.open(row)
	if err != nil {
		return record.Stored[ResultView]{}, doc, err
	}
	return viewOf(row, doc, kid), doc, nil
}

// viewOf is a result that was verified as it is shown.
func viewOf(row store.ResultRow, doc record.ResultDocument, kid string) record.Stored[ResultView] {
	v := ResultView{
		ID: row.ID, ClinicID: doc.Clinic.ID, SessionID: row.SessionID, SessionRevision: row.SessionRevision,
		Signature: doc.Signature, Decision: doc.Decision, KeyID: kid,
		Supersedes: row.Supersedes, SupersededBy: row.SupersededBy, Outdated: row.Newest > row.SessionRevision,
	}
	revision := record.Revision{Number: 1, Entry: row.Entry, At: record.TimeOf(row.At)}
	return record.Stored[ResultView]{Value: v, Revision: revision}
}

// bundled is a stored result with its bundle: the proof is against the checkpoint that was signed with it.
func (c *Casework) bundled(ctx context.Context, tx *store.Tx, row store.ResultRow) (record.Stored[ResultView], record.ResultDocument, error) {
	got, doc, err := c.view(row)
	if err != nil {
		return got, doc, err
	}
	entry, err := tx.Entry(ctx, row.Entry)
	if err != nil {
		return got, doc, err
	}
	_, note, err := tx.Checkpoint(ctx, row.Entry+1)
	if err != nil {
		return got, doc, err
	}
	proof := Proof{Entry: string(entry.Content), Salt: entry.Salt, Checkpoint: note, Path: pathOf(row.Path)}
	got.Value.Bundle = &Bundle{JWS: row.JWS, Proof: proof}
	if err := enclose(ctx, tx, row, doc, got.Value.Bundle); err != nil {
		return got, doc, err
	}
	return got, doc, c.addCountersigned(ctx, tx, row, doc, &got.Value)
}

// pathOf are the hashes of a stored inclusion path.
func pathOf(joined []byte) [][32]byte {
	var path [][32]byte
	for ; len(joined) >= 32; joined = joined[32:] {
		path = append(path, [32]byte(joined[:32]))
	}
	return path
}

// readResult reads a result of a clinic for its members.
func (c *Casework) readResult(ctx context.Context, clinic, id string) (record.Stored[ResultView], error) {
	var got record.Stored[ResultView]
	err := c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		row, err := tx.Result(ctx, id)
		if err != nil {
			return err
		}
		got, _, err = c.bundled(ctx, tx, row)
		return err
	})
	if err != nil {
		return record.Stored[ResultView]{}, fmt.Errorf("get result: %w", err)
	}
	return got, nil
}

// GetResult returns a result with its bundle. A payer gets it under a live release only, and the read is an audit entry.
func (c *Casework) GetResult(ctx context.Context, p authn.Principal, id string) (record.Stored[ResultView], error) {
	if p.PayerID != "" {
		return c.resultForPayer(ctx, p, id)
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return record.Stored[ResultView]{}, err
	}
	return c.readResult(ctx, clinic, id)
}

func (c *Casework) resultForPayer(ctx context.Context, p authn.Principal, id string) (record.Stored[ResultView], error) {
	var none record.Stored[ResultView]
	item, err := c.store.FindFeedItem(ctx, p.PayerID, id)
	if err != nil {
		return none, fmt.Errorf("get result: %w", err)
	}
	shown, err := c.disclose(ctx, p, item.ClinicID, []string{id})
	if err != nil {
		return none, fmt.Errorf("get result: %w", err)
	}
	got, ok := shown[id]
	if !ok {
		// The same answer as for a result that is not there.
		return none, fault.New(fault.NotFound, "NOT_FOUND", "there is no such result")
	}
	return got, nil
}

// ListResults returns one page of results in the order of signing, without their bundles.
func (c *Casework) ListResults(ctx context.Context, p authn.Principal, page record.Page) (record.List[ResultView], error) {
	var out record.List[ResultView]
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
		out = record.List[ResultView]{}
		rows, err := tx.ListResults(ctx, after, size+1)
		if err != nil {
			return err
		}
		if len(rows) > size {
			rows = rows[:size]
			out.Next = strconv.FormatInt(rows[size-1].Entry, 10)
		}
		for _, row := range rows {
			item, err := c.listed(ctx, tx, row)
			if err != nil {
				return err
			}
			out.Items = append(out.Items, item)
		}
		return nil
	})
	if err != nil {
		return record.List[ResultView]{}, fmt.Errorf("list results: %w", err)
	}
	return out, nil
}
