package store

import (
	"context"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

// ShownRow is a result with all that stands in its bundle beside it: the content and salt of its entry, the checkpoint that was signed with it, and
// the raw trials that it commits to by digest with their salt (nil for a result that has its trials in it). Countersigned says that it has a second
// signature.
type ShownRow struct {
	ResultRow
	Content, EntrySalt     []byte
	Note                   string
	Enclosed, EnclosedSalt []byte
	Countersigned          bool
}

const shownResults = `SELECT r.id, r.entry_number, e.at, r.session_id, r.session_revision,
		(SELECT max(s.revision) FROM ponderal.session s WHERE s.clinic_id = r.clinic_id AND s.id = r.session_id),
		coalesce(r.supersedes::text, ''),
		coalesce((SELECT n.id::text FROM ponderal.result n WHERE n.clinic_id = r.clinic_id AND n.supersedes = r.id), ''), r.body, r.path,
		e.content, e.salt, coalesce((SELECT c.note FROM ponderal.checkpoint c WHERE c.clinic_id = r.clinic_id AND c.size = r.entry_number + 1), ''),
		r.enclosed, r.enclosed_salt,
		EXISTS (SELECT FROM ponderal.countersignature d WHERE d.clinic_id = r.clinic_id AND d.body::jsonb ->> 'result_id' = r.id::text)
	FROM unnest($2::uuid[]) WITH ORDINALITY AS k (id, place)
	CROSS JOIN LATERAL (SELECT * FROM ponderal.result x WHERE x.clinic_id = $1 AND x.id = k.id AND x.body <> '{}' OFFSET 0) r
	JOIN ponderal.audit_entry e ON e.clinic_id = r.clinic_id AND e.number = r.entry_number ORDER BY k.place`

// Shown returns the results of those ids in their order, in one round trip. One that is not there or was erased is left out; one whose checkpoint is
// not there is an error, as it is where the result is read alone.
func (tx *Tx) Shown(ctx context.Context, resultIDs []string) ([]ShownRow, error) {
	parsed := make([]pgtype.UUID, 0, len(resultIDs))
	for _, id := range resultIDs {
		if p, ok := parseID(id); ok {
			parsed = append(parsed, p)
		}
	}
	rows, err := query(ctx, tx, "read results", scanShown, shownResults, tx.clinic, pgtype.FlatArray[pgtype.UUID](parsed))
	if err != nil {
		return nil, err
	}
	for _, r := range rows {
		if r.Note == "" {
			return nil, notFound(noteWord)
		}
	}
	return rows, nil
}

func scanShown(row pgx.CollectableRow) (ShownRow, error) {
	var r ShownRow
	err := row.Scan(&r.ID, &r.Entry, &r.At, &r.SessionID, &r.SessionRevision, &r.Newest, &r.Supersedes, &r.SupersededBy, &r.JWS, &r.Path,
		&r.Content, &r.EntrySalt, &r.Note, &r.Enclosed, &r.EnclosedSalt, &r.Countersigned)
	r.At = r.At.UTC()
	return r, err
}

const (
	// releasesOfReferrals is releasesOfReferral for several: by the referral, then by the release.
	releasesOfReferrals = `SELECT k.id, d.id, d.revision, d.entry_number, e.at, d.body
		FROM unnest($2::text[]) AS k (id)
		CROSS JOIN LATERAL (SELECT DISTINCT ON (t.id) t.* FROM ponderal.release t WHERE t.clinic_id = $1 AND t.id IN
				(SELECT c.id FROM ponderal.release c WHERE c.clinic_id = $1 AND c.body::jsonb ->> 'referral_id' = k.id)
			ORDER BY t.id, t.revision DESC) d
		JOIN ponderal.audit_entry e ON e.clinic_id = d.clinic_id AND e.number = d.entry_number
		WHERE d.body::jsonb ->> 'referral_id' = k.id ORDER BY k.id, d.id`
	lockForReleases = "lock head and list releases"
)

// LockHeadAndReleases takes the head as LockHead does and then, in the same round trip, reads the newest revision of each release of the referrals, by
// referral: what it returns was committed when the head was taken, and nothing of the clinic is committed after it until this transaction ends.
func (tx *Tx) LockHeadAndReleases(ctx context.Context, referralIDs []string) (size int64, edge []byte, releases map[string][]Row, err error) {
	var heads []head
	releases = make(map[string][]Row, len(referralIDs))
	b := tx.batch()
	b.Queue(lockHead).Query(func(rows pgx.Rows) (err error) {
		heads, err = pgx.CollectRows(rows, scanHead)
		return err
	})
	b.Queue(releasesOfReferrals, tx.clinic, referralIDs).Query(func(rows pgx.Rows) error {
		_, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (struct{}, error) {
			var referral string
			var r Row
			err := row.Scan(&referral, &r.ID, &r.Revision, &r.Entry, &r.At, &r.Body)
			r.At = r.At.UTC()
			releases[referral] = append(releases[referral], r)
			return struct{}{}, err
		})
		return err
	})
	if err := tx.send(ctx, b, lockForReleases); err != nil {
		return 0, nil, nil, err
	}
	if len(heads) == 0 {
		return 0, nil, nil, notFound(logWord)
	}
	return heads[0].size, heads[0].edge, releases, nil
}
