package store

import (
	"context"
	"encoding/json"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// EntryFilter keeps the entries for which everything that is given holds; what is empty or zero does not narrow.
type EntryFilter struct {
	// After and Upto bound the numbers: greater than After (-1 for all), at most Upto.
	After, Upto int64
	// Action and Also are one action each; with a final point every action that begins so. Both must hold.
	Action, Also string
	// Subject is one of the subjects, `kind:id`.
	Subject string
	// MemberID, TokenID and App are the actor's.
	MemberID, TokenID, App string
	// Kind is that of a record which the entry wrote.
	Kind string
	// RecordID is that of a record which the entry wrote or was about; a trial's is `SESSION/SERIES/TRIAL`.
	RecordID string
	// Since and Until bound the time: at or after, and before.
	Since, Until time.Time
}

// What stands only in an entry's content is looked for in its canonical text first, where a member and its value have one spelling that no other text can
// contain (a quote within a text is escaped), and read as JSON only where the text has it. An entry whose content was erased is found by its
// columns alone.
const filteredEntries = entryColumns + ` WHERE e.clinic_id = $1 AND e.number > $2 AND e.number <= $3
		AND ($4 = '' OR e.action = $4 OR right($4, 1) = '.' AND starts_with(e.action, $4))
		AND ($5 = '' OR e.action = $5 OR right($5, 1) = '.' AND starts_with(e.action, $5))
		AND ($6 = '' OR $6 = ANY (e.subjects))
		AND ($7::timestamptz IS NULL OR e.at >= $7) AND ($8::timestamptz IS NULL OR e.at < $8)
		AND ($9 = '' OR CASE WHEN strpos(e.content, $10) > 0 THEN e.content::jsonb #>> '{actor,member_id}' = $9 ELSE false END)
		AND ($11 = '' OR CASE WHEN strpos(e.content, $12) > 0 THEN e.content::jsonb #>> '{actor,token_id}' = $11 ELSE false END)
		AND ($13 = '' OR CASE WHEN strpos(e.content, $14) > 0 THEN e.content::jsonb #>> '{actor,app}' = $13 ELSE false END)
		AND ($15 = '' OR CASE WHEN strpos(e.content, $16) > 0 THEN
			CASE WHEN $15 = 'trial' THEN jsonb_path_exists(e.content::jsonb, '$.records[*].trials[*]')
			ELSE e.content::jsonb -> 'records' @> jsonb_build_array(jsonb_build_object('kind', $15::text)) END
			ELSE false END)
		AND ($17 = '' OR CASE WHEN strpos(array_to_string(e.subjects, ' '), ':' || $17) > 0 THEN
				EXISTS (SELECT FROM unnest(e.subjects) s WHERE substr(s, strpos(s, ':') + 1) = $17) ELSE false END
			OR CASE WHEN strpos(e.content, $18) > 0 THEN
				CASE WHEN $19 = 0 THEN e.content::jsonb -> 'records' @> jsonb_build_array(jsonb_build_object('id', $17::text))
				ELSE EXISTS (SELECT FROM jsonb_array_elements(e.content::jsonb -> 'records') r, jsonb_array_elements(r -> 'trials') t
					WHERE r ->> 'id' = $20 AND (t ->> 'series')::int4 = $19 AND $21 >= (t ->> 'first')::int4
						AND $21 < (t ->> 'first')::int4 + length(t ->> 'digests') * 3 / 4 / 32) END
			ELSE false END)
	ORDER BY e.number LIMIT $22`

// FilteredEntries returns entries in the order of their numbers.
func (tx *Tx) FilteredEntries(ctx context.Context, f EntryFilter, limit int) ([]EntryRow, error) {
	member, err := spelled("member_id", f.MemberID)
	if err != nil {
		return nil, err
	}
	token, err := spelled("token_id", f.TokenID)
	if err != nil {
		return nil, err
	}
	app, err := spelled("app", f.App)
	if err != nil {
		return nil, err
	}
	kind, err := writtenKind(f.Kind)
	if err != nil {
		return nil, err
	}
	session, series, trial := trialID(f.RecordID)
	id, err := spelled("id", session)
	if err != nil {
		return nil, err
	}
	return query(ctx, tx, "list entries", scanEntry, filteredEntries, tx.clinic, f.After, f.Upto, f.Action, f.Also, f.Subject,
		momentOrNone(f.Since), momentOrNone(f.Until), f.MemberID, member, f.TokenID, token, f.App, app, f.Kind, kind,
		f.RecordID, id, series, session, trial, limit)
}

// spelled is a member with its value as an entry's canonical text has it (RFC 8785), for texts of one line.
func spelled(name, value string) (string, error) {
	var text strings.Builder
	enc := json.NewEncoder(&text)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(value); err != nil {
		return "", fault.Wrap(fault.Invalid, "FILTER_TEXT", "the filter holds text that no entry can hold", err)
	}
	return `"` + name + `":` + strings.TrimSuffix(text.String(), "\n"), nil
}

// writtenKind is the text by which an entry tells that it wrote a record of a kind. Trials stand within their session.
func writtenKind(kind string) (string, error) {
	if kind == record.KindTrial {
		return `"trials":[`, nil
	}
	return spelled("kind", kind)
}

// trialID takes the id of a trial apart; of every other id it is the id itself, with series 0.
func trialID(id string) (session string, series, trial int) {
	parts := strings.Split(id, "/")
	if len(parts) != 3 {
		return id, 0, 0
	}
	s, err := strconv.ParseInt(parts[1], 10, 16)
	t, err2 := strconv.ParseInt(parts[2], 10, 16)
	if err != nil || err2 != nil || s < 1 || t < 1 {
		return id, 0, 0
	}
	return parts[0], int(s), int(t)
}

// momentOrNone is NULL for the zero moment.
func momentOrNone(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// numbersBetween is read from the index on the time, which holds the numbers. Without the inner query Postgres would look for the lowest number by walking along the
// numbers from the first; with anything but plain arguments it would not use the index under row-level security.
const numbersBetween = `SELECT min(x.number), max(x.number) FROM (SELECT e.number FROM ponderal.audit_entry e
	WHERE e.clinic_id = $1 AND e.at >= $2 AND e.at < $3 OFFSET 0) x`

// afterAll is later than any moment of an entry.
var afterAll = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC)

// NumbersBetween returns the lowest and the highest number of the entries at or after since and before until (zero for no bound); none is 0 and -1. Clocks
// are not in the order of numbers, so entries between them may be of another time.
func (tx *Tx) NumbersBetween(ctx context.Context, since, until time.Time) (first, last int64, err error) {
	type bounds struct{ first, last *int64 }
	if until.IsZero() {
		until = afterAll
	}
	got, err := queryOne(ctx, tx, "find entries of a period", entryWord, func(row pgx.CollectableRow) (bounds, error) {
		var b bounds
		return b, row.Scan(&b.first, &b.last)
	}, numbersBetween, tx.clinic, since, until)
	if err != nil || got.first == nil || got.last == nil {
		return 0, -1, err
	}
	return *got.first, *got.last, nil
}
