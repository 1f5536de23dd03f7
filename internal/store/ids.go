package store

import (
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgtype"

	"ponderal.example/internal/fault"
)

// nilID sorts before every record's id: no record has the nil UUID, which stands for the network itself.
var nilID = pgtype.UUID{Valid: true}

// parseID reads a UUID in its one canonical spelling, so that what the log says and what a column says are the same text.
func parseID(s string) (pgtype.UUID, bool) {
	u, err := uuid.Parse(s)
	if err != nil || u.String() != s {
		return pgtype.UUID{}, false
	}
	return pgtype.UUID{Bytes: u, Valid: true}, true
}

// afterID is parseID for the cursor of a list by id, where empty means from the start.
func afterID(s string) (pgtype.UUID, error) {
	if s == "" {
		return nilID, nil
	}
	id, ok := parseID(s)
	if !ok {
		return pgtype.UUID{}, malformed("cursor")
	}
	return id, nil
}

// writeID is parseID for an id about to be stored.
func writeID(field, s string) (pgtype.UUID, error) {
	id, ok := parseID(s)
	if !ok || id == nilID {
		return pgtype.UUID{}, malformed(field)
	}
	return id, nil
}

// optionalID is writeID where an empty text stands for none.
func optionalID(field, s string) (pgtype.UUID, error) {
	if s == "" {
		return pgtype.UUID{}, nil
	}
	return writeID(field, s)
}

func malformed(field string) error {
	return &fault.Error{Kind: fault.Invalid, Reason: "ID_MALFORMED", Text: "an id is not a UUID in lower case; nothing was stored",
		Violations: []fault.Violation{{Field: field, Rule: "id.uuid", Text: "a UUID in lower case, not the nil UUID"}}}
}

func notFound(what string) error {
	return fault.Newf(fault.NotFound, "NOT_FOUND", "there is no such %s", what)
}
