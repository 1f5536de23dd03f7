package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/record"
)

// The newest revision of each identity that something proves or that belongs to somebody. Neither ever changes, so the first revision finds it.
const (
	newestIdentities = `SELECT d.id, d.revision, d.entry_number, e.at, d.body
		FROM (SELECT DISTINCT ON (t.id) t.* FROM ponderal.identity t WHERE t.clinic_id = $1 AND t.id IN
				(SELECT f.id FROM ponderal.identity f WHERE f.clinic_id = $1 AND f.revision = 1 AND `
	endIdentities = `) ORDER BY t.id, t.revision DESC) d
		JOIN ponderal.audit_entry e ON e.clinic_id = d.clinic_id AND e.number = d.entry_number ORDER BY d.id`

	identitiesByLogin       = newestIdentities + `f.body::jsonb ->> 'login' = $2` + endIdentities
	identitiesBySubject     = newestIdentities + `f.body::jsonb ->> 'issuer' = $2 AND f.body::jsonb ->> 'subject' = $3` + endIdentities
	identitiesByCertificate = newestIdentities + `f.body::jsonb ->> 'certificate_sha256' = $2` + endIdentities
	identitiesOfMember      = newestIdentities + `f.body::jsonb ->> 'member_id' = $2` + endIdentities

	// A token that has a successor still works for its overlap, so it is among those at work.
	tokensOfIdentity = `SELECT d.id, d.revision, d.entry_number, e.at, d.body
		FROM ponderal.token d JOIN ponderal.audit_entry e ON e.clinic_id = d.clinic_id AND e.number = d.entry_number
		WHERE d.clinic_id = $1 AND d.body::jsonb ? 'identity_id' AND d.body::jsonb ->> 'identity_id' = $2
			AND (d.body::jsonb ->> 'expires_at')::timestamptz > $3
			AND NOT EXISTS (SELECT 1 FROM ponderal.token_revocation v WHERE v.id = d.id AND v.clinic_id = d.clinic_id AND NOT v.body::jsonb ? 'successor_id')
		ORDER BY d.id`

	spentProofs = `SELECT p.id FROM ponderal.spent_proof p WHERE p.clinic_id = $1 AND p.id = ANY ($2::text[]) ORDER BY 1`

	keysOfSecrets = `SELECT DISTINCT k.id FROM (
			SELECT f.body::jsonb -> 'secret' ->> 'key_id' AS id FROM (SELECT DISTINCT ON (t.id) t.* FROM ponderal.second_factor t
				WHERE t.clinic_id = $1 ORDER BY t.id, t.revision DESC) f) k
		WHERE k.id IS NOT NULL ORDER BY 1`

	findHolder = `SELECT
		(SELECT m.body FROM ponderal.member m WHERE m.clinic_id = $1 AND m.id = $2 ORDER BY m.revision DESC LIMIT 1),
		(SELECT i.body FROM ponderal.identity i WHERE i.clinic_id = $1 AND i.id = $3 ORDER BY i.revision DESC LIMIT 1)`
)

// IdentitiesByLogin returns the identities with that login, newest revision each: at most one of them is not revoked.
func (tx *Tx) IdentitiesByLogin(ctx context.Context, login string) ([]Row, error) {
	return query(ctx, tx, "find identity by login", scanRow, identitiesByLogin, tx.clinic, login)
}

// IdentitiesBySubject is IdentitiesByLogin for a subject of an issuer.
func (tx *Tx) IdentitiesBySubject(ctx context.Context, issuer, subject string) ([]Row, error) {
	return query(ctx, tx, "find identity by subject", scanRow, identitiesBySubject, tx.clinic, issuer, subject)
}

// IdentitiesByCertificate is IdentitiesByLogin for the SHA-256 of a certificate, in lower-case hexadecimal.
func (tx *Tx) IdentitiesByCertificate(ctx context.Context, sha256 string) ([]Row, error) {
	return query(ctx, tx, "find identity by certificate", scanRow, identitiesByCertificate, tx.clinic, sha256)
}

// IdentitiesOfMember returns every identity of a member, newest revision each.
func (tx *Tx) IdentitiesOfMember(ctx context.Context, memberID string) ([]Row, error) {
	return query(ctx, tx, "list identities of member", scanRow, identitiesOfMember, tx.clinic, memberID)
}

// TokensOfIdentity returns the tokens that an identity signed in for and that have neither ended nor been revoked at that moment.
func (tx *Tx) TokensOfIdentity(ctx context.Context, identityID string, at time.Time) ([]Row, error) {
	return query(ctx, tx, "list tokens of identity", scanRow, tokensOfIdentity, tx.clinic, identityID, at)
}

// Spent returns those of the ids under which a proof has been used up in the clinic.
func (tx *Tx) Spent(ctx context.Context, ids []string) ([]string, error) {
	return query(ctx, tx, "find spent proofs", pgx.RowTo[string], spentProofs, tx.clinic, ids)
}

// KeysOfSecrets names the keys under which the clinic's second factors are sealed as they stand.
func (tx *Tx) KeysOfSecrets(ctx context.Context) ([]string, error) {
	return query(ctx, tx, "list keys of second factors", pgx.RowTo[string], keysOfSecrets, tx.clinic)
}

// Holder is whom a token names, as stored now; nil where it names none or there is none.
type Holder struct{ Member, Identity []byte }

// FindHolder reads the member and the identity that a token of the clinic names, in one round trip. An empty id names none.
func (s *Store) FindHolder(ctx context.Context, clinicID, memberID, identityID string) (Holder, error) {
	var h Holder
	member, err := optionalID("member_id", memberID)
	if err != nil {
		return h, notFound(record.KindMember)
	}
	identity, err := optionalID("identity_id", identityID)
	if err != nil {
		return h, notFound(record.KindIdentity)
	}
	err = s.ReadClinic(ctx, clinicID, func(tx *Tx) error {
		h, err = queryOne(ctx, tx, "find holder of token", record.KindToken, func(row pgx.CollectableRow) (Holder, error) {
			var h Holder
			return h, row.Scan(&h.Member, &h.Identity)
		}, findHolder, tx.clinic, member, identity)
		return err
	})
	return h, err
}
