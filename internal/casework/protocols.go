package casework

import (
	"context"
	"fmt"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// PutKit stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutKit(ctx context.Context, p authn.Principal, v record.Kit, expected int) (record.Stored[record.Kit], error) {
	var none record.Stored[record.Kit]
	clinic, err := ownClinic(p, v.ClinicID)
	if err != nil {
		return none, err
	}
	v.ClinicID = clinic
	if err := fault.InvalidFields(record.CheckKit(v, record.KindKit)); err != nil {
		return none, err
	}
	done, err := c.put(ctx, p, putting{kind: record.KindKit, id: v.ID, clinic: clinic, value: v, expected: expected})
	return record.Stored[record.Kit]{Value: v, Revision: done}, err
}

// GetKit returns the newest revision.
func (c *Casework) GetKit(ctx context.Context, p authn.Principal, id string) (record.Stored[record.Kit], error) {
	return get[record.Kit](ctx, c, p, record.KindKit, id)
}

// ListKits returns one page.
func (c *Casework) ListKits(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Kit], error) {
	return list[record.Kit](ctx, c, p, record.KindKit, page)
}

// PublishProtocol stores a protocol under its digest, once: a protocol that is published is answered with what is stored.
func (c *Casework) PublishProtocol(ctx context.Context, p authn.Principal, v record.Protocol) (record.Stored[record.NamedProtocol], error) {
	var none record.Stored[record.NamedProtocol]
	clinic, err := ownClinic(p, "")
	if err != nil {
		return none, err
	}
	if err := fault.InvalidFields(record.CheckProtocol(v, record.KindProtocol)); err != nil {
		return none, err
	}
	digest, body, err := bundle.ProtocolDigest(v)
	if err != nil {
		return none, textFault(err)
	}
	done := record.Stored[record.NamedProtocol]{Value: record.NamedProtocol{Digest: digest, Protocol: v}}
	err = c.write(ctx, clinic, func(tx *store.Tx, head auditlog.Head) error {
		was, err := newestOrNil(ctx, tx, record.KindProtocol, digest)
		if err != nil {
			return err
		}
		if was != nil {
			done.Revision = rowRevision(*was)
			return nil
		}
		entry, err := c.log.Commit(ctx, tx, head, auditlog.Draft{
			ClinicID: clinic, Action: record.ActionProtocolPublish, Actor: p.Actor(),
			Subjects: []string{subject(record.KindProtocol, digest)},
			Docs:     []store.DocRow{{Kind: record.KindProtocol, ID: digest, Revision: 1, Body: body}},
			Last:     true,
		}, false)
		done.Revision = revisionOf(1, entry)
		return err
	})
	if err != nil {
		return none, fmt.Errorf("publish protocol: %w", err)
	}
	return done, nil
}

// GetProtocol returns a published protocol.
func (c *Casework) GetProtocol(ctx context.Context, p authn.Principal, digest string) (record.Stored[record.NamedProtocol], error) {
	got, err := get[record.Protocol](ctx, c, p, record.KindProtocol, digest)
	return record.Stored[record.NamedProtocol]{Value: record.NamedProtocol{Digest: digest, Protocol: got.Value}, Revision: got.Revision}, err
}

// ListProtocols returns one page.
func (c *Casework) ListProtocols(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.NamedProtocol], error) {
	var out record.List[record.NamedProtocol]
	size, err := sizeOf(page)
	if err != nil {
		return out, err
	}
	if err := idCursor(record.KindProtocol, page.Cursor); err != nil {
		return out, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return out, err
	}
	var rows []store.Row
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		rows, err = tx.ListNewest(ctx, record.KindProtocol, page.Cursor, size+1)
		return err
	})
	if err != nil {
		return out, fmt.Errorf("list protocol: %w", err)
	}
	return pageOf(record.KindProtocol, rows, size, func(row store.Row) (record.NamedProtocol, error) {
		v, err := read[record.Protocol](record.KindProtocol, row.Body)
		return record.NamedProtocol{Digest: row.ID, Protocol: v}, err
	})
}
