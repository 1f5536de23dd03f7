package migrations

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// ServiceRole is the role that the first file makes, for the service to log in
// as. Roles belong to the whole server: several databases share it.
const ServiceRole = "ponderal_service"

// SQLSTATE values, PostgreSQL documentation, appendix A.
const (
	codeUndefinedTable = "42P01"
	// codeInternal is also what Postgres says when two sessions alter one role
	// at the same time ("tuple concurrently updated").
	codeInternal = "XX000"
)

const loginTries = 20

// GrantLogin lets ServiceRole log in with a password (any non-empty text, safe
// with any character). adminURL must log in as a role that may alter
// it: the one that ran Up, or a superuser. A role that could get round row
// security or make roles is refused. The statement carries the
// password in clear, as Postgres' own syntax has it: a server that logs all its
// statements logs it too.
func GrantLogin(ctx context.Context, adminURL, password string) error {
	if password == "" {
		return errors.New("let the service log in: password: must not be empty")
	}
	conn, err := pgx.Connect(ctx, adminURL)
	if err != nil {
		return fmt.Errorf("let the service log in: %w", err)
	}
	defer closeConn(ctx, conn)
	if err := checkHarmless(ctx, conn); err != nil {
		return fmt.Errorf("let the service log in: %w", err)
	}
	var statement string
	const text = "SELECT pg_catalog.format('ALTER ROLE %I LOGIN PASSWORD %L', $1::text, $2::text)"
	if err := conn.QueryRow(ctx, text, ServiceRole, password).Scan(&statement); err != nil {
		return fmt.Errorf("let the service log in: %w", err)
	}
	if err := alterRole(ctx, conn, statement); err != nil {
		return fmt.Errorf("let the service log in: %w", err)
	}
	return nil
}

// checkHarmless refuses a service role with rights that would make the
// row-level rules moot.
func checkHarmless(ctx context.Context, conn *pgx.Conn) error {
	var strong bool
	const rights = `SELECT rolsuper OR rolbypassrls OR rolcreaterole OR rolreplication
		FROM pg_catalog.pg_roles WHERE rolname = $1`
	err := conn.QueryRow(ctx, rights, ServiceRole).Scan(&strong)
	if errors.Is(err, pgx.ErrNoRows) {
		return fmt.Errorf("role %s is not there: migrate first", ServiceRole)
	}
	if err != nil {
		return fmt.Errorf("read rights of role %s: %w", ServiceRole, err)
	}
	if strong {
		return fmt.Errorf("role %s is a superuser, or may bypass row security, make roles or replicate: it must not", ServiceRole)
	}
	return nil
}

// alterRole tries again when another session, in any database of the server,
// altered the role at the same moment. Advisory locks would not help: they are
// per database.
func alterRole(ctx context.Context, conn *pgx.Conn, statement string) error {
	for try := 1; ; try++ {
		_, err := conn.Exec(ctx, statement)
		var pgErr *pgconn.PgError
		if err == nil || try == loginTries || !errors.As(err, &pgErr) || pgErr.Code != codeInternal {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Duration(try) * 5 * time.Millisecond):
		}
	}
}
