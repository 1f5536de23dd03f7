package casework

import (
	"context"
	"slices"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// clinicOf is the clinic on whose rows a call works: that of the principal, or the network's own.
func clinicOf(p authn.Principal) (string, error) {
	switch {
	case p.ClinicID != "":
		return p.ClinicID, nil
	case p.Network:
		return record.NetworkClinic, nil
	}
	return "", fault.New(fault.Denied, "NO_CLINIC", "the credential is not of a clinic")
}

// ownClinic is clinicOf for a record that names its clinic: given is empty or that clinic.
func ownClinic(p authn.Principal, given string) (string, error) {
	clinic, err := clinicOf(p)
	switch {
	case err != nil:
		return "", err
	case given != "" && given != clinic:
		return "", fault.New(fault.Denied, "OTHER_CLINIC", "the record is of another clinic than the credential")
	case clinic == record.NetworkClinic:
		return "", fault.InvalidFields([]fault.Violation{{Field: "clinic_id", Rule: "clinic.named", Text: "a credential of the network names the clinic"}})
	}
	return clinic, nil
}

// need demands that the credential carries one of the roles.
func need(p authn.Principal, roles ...record.Role) error {
	if slices.ContainsFunc(roles, p.Has) {
		return nil
	}
	return fault.New(fault.Denied, "ROLE_NEEDED", "the credential does not carry a role that this needs")
}

// needNetworkAdmin demands an administrator of the network.
func needNetworkAdmin(p authn.Principal) error {
	if !p.Network {
		return fault.New(fault.Denied, "NETWORK_ONLY", "only the network's administrator does this")
	}
	return need(p, record.RoleNetworkAdmin)
}

// write runs fn in a transaction of the clinic with its log's head taken.
func (c *Casework) write(ctx context.Context, clinic string, fn func(*store.Tx, auditlog.Head) error) error {
	return c.store.InClinic(ctx, clinic, func(tx *store.Tx) error {
		head, err := lockHead(ctx, tx)
		if err != nil {
			return err
		}
		return fn(tx, head)
	})
}

func lockHead(ctx context.Context, tx *store.Tx) (auditlog.Head, error) {
	size, edge, err := tx.LockHead(ctx)
	if fault.Is(err, fault.NotFound) {
		return auditlog.Head{}, fault.Wrap(fault.NotFound, "CLINIC_NOT_FOUND", "there is no such clinic", err)
	}
	return auditlog.Head{Size: size, Edge: edge}, err
}

// subject names a record in an entry.
func subject(kind, id string) string { return kind + ":" + id }

// revisionOf is the revision that an entry wrote.
func revisionOf(number int, e record.Entry) record.Revision {
	return record.Revision{Number: number, Entry: e.Number, At: e.At}
}

// rowRevision is the revision of a row.
func rowRevision(r store.Row) record.Revision {
	return record.Revision{Number: r.Revision, Entry: r.Entry, At: record.TimeOf(r.At)}
}
