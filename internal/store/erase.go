package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"ponderal.example/internal/fault"
)

// Erasure orders that one client of one clinic be erased. Demand says on which legal basis and by which reference, AskedBy who asked, Operator who
// does it: each one line of 3 to 500 characters, in an entry that stays. At is now, and Salt 32 random bytes.
type Erasure struct {
	ClinicID, ClientID        string
	Demand, AskedBy, Operator string
	At                        time.Time
	Salt                      []byte
	// Confirmed says that it is to be done; otherwise everything is undone once it is known what would go.
	Confirmed bool
}

// Erased is what an erasure took, or would take.
type Erased struct {
	// Entry is the number of the audit entry that tells of it.
	Entry int64
	// Rows are how many rows of each kind went, "audit_entry" for entries that lost content and salt.
	Rows []ErasedRows
	// Held are the results that payers got before: they keep them.
	Held []HeldResult
}

// ErasedRows counts the rows of one kind.
type ErasedRows struct {
	Kind  string
	Count int64
}

// HeldResult is a result that was disclosed to a payer, so many times, first at that time.
type HeldResult struct {
	PayerID, ResultID string
	Times             int64
	First             time.Time
}

const eraseClient = `SELECT e.entry_number, e.what, e.kind, e.count, coalesce(e.payer_id::text, ''), coalesce(e.result_id::text, ''), e.first_at
	FROM ponderal.erase_client($1, $2, $3, $4, $5, $6, $7) e`

// Erase erases a client on lawful demand, over a connection of its own whose role has the one function for it. It refuses what is under a legal
// hold or within the clinic's retention period.
func Erase(ctx context.Context, url string, o Erasure) (Erased, error) {
	clinic, ok := parseID(o.ClinicID)
	if !ok {
		return Erased{}, malformed("clinic")
	}
	client, ok := parseID(o.ClientID)
	if !ok {
		return Erased{}, malformed("client")
	}
	config, err := pgx.ParseConfig(url)
	if err != nil {
		return Erased{}, fault.New(fault.Invalid, "DATABASE_URL", "the database URL is not a Postgres URL")
	}
	config.RuntimeParams["application_name"] = "ponderal erase"
	conn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return Erased{}, translate("connect to erase", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	tx, err := conn.Begin(ctx)
	if err != nil {
		return Erased{}, translate("begin erasure", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	done, err := erase(ctx, tx, clinic, client, o)
	if err != nil || !o.Confirmed {
		return done, err
	}
	if err := tx.Commit(ctx); err != nil {
		return Erased{}, translate("commit erasure", lost(conn, err))
	}
	return done, nil
}

func erase(ctx context.Context, tx pgx.Tx, clinic, client any, o Erasure) (Erased, error) {
	rows, err := tx.Query(ctx, eraseClient, clinic, client, o.Demand, o.AskedBy, o.Operator, o.At, o.Salt)
	if err != nil {
		return Erased{}, eraseFault(err)
	}
	var done Erased
	var what, kind, payer, result string
	var count int64
	var first *time.Time
	_, err = pgx.ForEachRow(rows, []any{&done.Entry, &what, &kind, &count, &payer, &result, &first}, func() error {
		if what == "held" && first != nil {
			done.Held = append(done.Held, HeldResult{PayerID: payer, ResultID: result, Times: count, First: first.UTC()})
			return nil
		}
		done.Rows = append(done.Rows, ErasedRows{Kind: kind, Count: count})
		return nil
	})
	if err != nil {
		return Erased{}, eraseFault(err)
	}
	return done, nil
}

// eraseFaces say what the function's own SQLSTATEs mean; DETAIL is its own text, never a stored one.
var eraseFaces = map[string]face{
	"PE001": {fault.NotFound, "NOT_FOUND", "there is no such client in that clinic; nothing was erased"},
	"PE002": {fault.Precondition, "ERASED", "the client was erased before"},
	"PE003": {fault.Precondition, "LEGAL_HOLD", "a legal hold is on the client or on the whole clinic; nothing was erased; once it is lifted, ask again; hold "},
	"PE004": {fault.Precondition, "RETENTION", "the clinic's retention period has not run out; nothing was erased; ask again from "},
	"PE005": {fault.Invalid, "ERASURE_WORDS", "the demand, who asked and the operator are each one line of 3 to 500 characters; nothing was erased"},
	"PE006": {fault.Precondition, "CLOCK", "this machine's clock and the database's differ by more than 5 minutes; nothing was erased"},
	"PE007": {fault.Internal, "SHARED_RECORDS", "records of this client were written together with others that are not known to be the client's; nothing was erased"},
	"42501": {fault.Denied, "ROLE_NOT_ERASER", "the database role may not erase: log in as a member of ponderal_eraser; nothing was erased"},
	"3F000": {fault.Precondition, "SCHEMA_MISSING", "the database has no schema ponderal: run `ponderal migrate` first"},
	"42883": {fault.Precondition, "SCHEMA_VERSION", "the database has no function to erase: run `ponderal migrate` of this build"},
}

func eraseFault(err error) error {
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		return translate("erase client", err)
	}
	f, ok := eraseFaces[pg.Code]
	if !ok {
		return translate("erase client", err)
	}
	if pg.Code == "PE003" || pg.Code == "PE004" {
		f.text += pg.Detail
	}
	return f.wrap(fmt.Errorf("erase client: SQLSTATE %s", pg.Code))
}
