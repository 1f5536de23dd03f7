package store

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// ChangeEntry is an entry as a follower of changes reads it.
type ChangeEntry struct {
	Number   int64
	At       time.Time
	Action   string
	Subjects []string
}

// ChangeRow is one record that an entry wrote. The body of one that was erased is {}.
type ChangeRow struct {
	Entry    int64
	Kind, ID string
	Revision int
	Body     []byte
}

// Changes are consecutive entries of a log with what they wrote, in the order of the entries. Size is the log's size at that moment.
type Changes struct {
	Entries []ChangeEntry
	Rows    []ChangeRow
	Size    int64
}

const (
	changeEntries = `SELECT e.number, e.at, e.action, e.subjects FROM ponderal.audit_entry e
		WHERE e.clinic_id = $1 AND e.number > $2 AND e.number <= $2 + $3 ORDER BY e.number`
	// The kinds that every visit writes are read by their entries. A trial stands in the entry of its session's revision.
	changedSessions = `SELECT d.entry_number, d.id::text, d.revision, d.body FROM ponderal.session d
		WHERE d.clinic_id = $1 AND d.entry_number > $2 AND d.entry_number <= $3 ORDER BY d.entry_number, d.id`
	changedTrials = `SELECT t.entry_number, t.session_id::text || '/' || t.series_number || '/' || t.trial_number, t.revision, t.body
		FROM (SELECT d.id, d.entry_number FROM ponderal.session d
			WHERE d.clinic_id = $1 AND d.entry_number > $2 AND d.entry_number <= $3 ORDER BY d.entry_number, d.id) s
		CROSS JOIN LATERAL (SELECT * FROM ponderal.trial x WHERE x.clinic_id = $1 AND x.session_id = s.id AND x.entry_number = s.entry_number
			ORDER BY x.series_number, x.trial_number OFFSET 0) t`
	changedFindings = `SELECT d.entry_number, d.id::text, d.revision, d.body FROM ponderal.finding d
		WHERE d.clinic_id = $1 AND d.entry_number > $2 AND d.entry_number <= $3 ORDER BY d.entry_number, d.id`
	changedResults = `SELECT d.entry_number, d.id::text, d.revision, d.body FROM ponderal.result d
		WHERE d.clinic_id = $1 AND d.entry_number > $2 AND d.entry_number <= $3 ORDER BY d.entry_number, d.id`
	// The others are read by the ids that the entries name.
	changedDocs = `SELECT d.entry_number, d.id::text, d.revision, d.body
		FROM unnest($4::IDTYPE[]) k (id) CROSS JOIN LATERAL (SELECT t.* FROM ponderal.TABLE t
			WHERE t.clinic_id = $1 AND t.id = k.id AND t.entry_number > $2 AND t.entry_number <= $3 OFFSET 0) d ORDER BY d.entry_number, d.id`
)

// ChangeKinds are the kinds of record whose changes can be followed; every other kind holds credentials, or another payer's business.
func ChangeKinds() []string {
	return slices.Concat(visitKinds, []string{record.KindClinic, record.KindMember, record.KindClient, record.KindReferral, record.KindJobProfile,
		record.KindRelease, record.KindKit, record.KindProtocol, record.KindSessionConflict})
}

// visitKinds are those that every visit writes, in the order in which an entry's records are told.
var visitKinds = []string{record.KindSession, record.KindTrial, record.KindFinding, record.KindResult}

var visitQueries = map[string]string{
	record.KindSession: changedSessions, record.KindTrial: changedTrials, record.KindFinding: changedFindings, record.KindResult: changedResults,
}

// Changes returns at most limit entries after a number (-1 from the first), and what they wrote of the given kinds, which are of ChangeKinds. Numbers
// are given under the lock of the log's head, which is held until the commit, so that nothing is ever committed before a number that was read.
func (tx *Tx) Changes(ctx context.Context, after int64, limit int, kinds []string) (Changes, error) {
	var out Changes
	b := tx.batch()
	b.Queue(readHead, tx.clinic).Query(func(rows pgx.Rows) error {
		heads, err := pgx.CollectRows(rows, scanHead)
		if len(heads) == 1 {
			out.Size = heads[0].size
		}
		return err
	})
	b.Queue(changeEntries, tx.clinic, after, limit).Query(func(rows pgx.Rows) error {
		var err error
		out.Entries, err = pgx.CollectRows(rows, scanChangeEntry)
		return err
	})
	if err := tx.send(ctx, b, "list changed entries"); err != nil {
		return Changes{}, err
	}
	if len(out.Entries) == 0 {
		return out, nil
	}
	err := tx.changedRows(ctx, &out, after, kinds)
	return out, err
}

// changedRows reads what the entries wrote, in one round trip.
func (tx *Tx) changedRows(ctx context.Context, out *Changes, after int64, kinds []string) error {
	last := out.Entries[len(out.Entries)-1].Number
	named := namedIn(out.Entries)
	b := tx.batch()
	add := func(kind, sql string, args ...any) {
		b.Queue(sql, args...).Query(func(rows pgx.Rows) error {
			got, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (ChangeRow, error) {
				r := ChangeRow{Kind: kind}
				err := row.Scan(&r.Entry, &r.ID, &r.Revision, &r.Body)
				return r, err
			})
			out.Rows = append(out.Rows, got...)
			return err
		})
	}
	for _, kind := range kinds {
		if sql, ok := visitQueries[kind]; ok {
			add(kind, sql, tx.clinic, after, last)
			continue
		}
		t, ok := docTables[kind]
		if !ok || !slices.Contains(ChangeKinds(), kind) {
			return fault.Newf(fault.Internal, "KIND_UNKNOWN", "the changes of %s are not followed", kind)
		}
		if len(named[kind]) > 0 {
			add(kind, t.changed, tx.clinic, after, last, t.idArray(named[kind]))
		}
	}
	if err := tx.send(ctx, b, "list changes"); err != nil {
		return err
	}
	slices.SortStableFunc(out.Rows, func(a, b ChangeRow) int { return int(a.Entry - b.Entry) })
	return nil
}

// namedIn are the ids that entries name, by kind, each once.
func namedIn(entries []ChangeEntry) map[string][]string {
	named := make(map[string][]string)
	for _, e := range entries {
		for _, s := range e.Subjects {
			if kind, id, ok := strings.Cut(s, ":"); ok && !slices.Contains(named[kind], id) {
				named[kind] = append(named[kind], id)
			}
		}
	}
	return named
}

// idArray is a list of ids as an argument. What is no id of the table names nothing.
func (t docTable) idArray(list []string) any {
	if t.textID {
		return list
	}
	out := make(ids, 0, len(list))
	for _, id := range list {
		if parsed, ok := parseID(id); ok {
			out = append(out, parsed)
		}
	}
	return pgtype.FlatArray[pgtype.UUID](out)
}

func scanChangeEntry(row pgx.CollectableRow) (ChangeEntry, error) {
	var e ChangeEntry
	err := row.Scan(&e.Number, &e.At, &e.Action, &e.Subjects)
	e.At = e.At.UTC()
	return e, err
}
