package localpg

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// The roles that every server of ours has.
const (
	// OwnerRole owns the databases and runs the migrations. It is no superuser
	// and cannot bypass row security, but may create roles.
	OwnerRole = "ponderal_owner"
	// ServiceRole is the role that the first migration makes and the service
	// logs in as.
	ServiceRole = "ponderal_service"
	// mainDatabase is the name of a private server's main database.
	mainDatabase = "ponderal"
	// roleComment marks an owner role that this package made on a borrowed
	// server and drops again.
	roleComment = "made by ponderal for a while; dropped when the last user ends"
	// clusterLock serializes role and database changes of all processes that
	// share a server. Taken in the maintenance database, as advisory locks
	// are per database. The number is arbitrary.
	clusterLock = 7_241_990_117
)

// SQLSTATE values, PostgreSQL documentation, appendix A.
const (
	codeDuplicateDatabase = "42P04"
	codeDependentObjects  = "2BP01"
	codeInvalidPassword   = "28P01"
)

// MainDatabase gives the name of the server's main database and its owner's
// URL. On a private server it is always the same one, made at the first call
// and kept with the folder; on a borrowed server each call makes a new one.
func (s *Server) MainDatabase(ctx context.Context) (name, ownerURL string, err error) {
	name = mainDatabase
	if s.borrowed {
		if name, err = s.FreshName(mainDatabase); err != nil {
			return "", "", err
		}
	}
	ownerURL, err = s.CreateDatabase(ctx, name)
	if hasCode(err, codeDuplicateDatabase) && !s.borrowed {
		return name, s.OwnerURL(name), nil
	}
	return name, ownerURL, err
}

// FreshName gives a database name that begins with prefix and that nobody has.
func (s *Server) FreshName(prefix string) (string, error) {
	text, err := s.random()
	if err != nil {
		return "", fmt.Errorf("make a database name: %w", err)
	}
	return prefix + "_" + text, nil
}

// CreateDatabase makes an empty database owned by OwnerRole, which it makes
// too where it is missing, and gives the owner's URL. A name in use is an error.
func (s *Server) CreateDatabase(ctx context.Context, name string) (ownerURL string, err error) {
	err = s.exclusively(ctx, func(conn *pgx.Conn) error {
		if err := s.ensureOwner(ctx, conn); err != nil {
			return err
		}
		_, err := conn.Exec(ctx, "CREATE DATABASE "+quote(name)+" OWNER "+quote(OwnerRole)+
			" TEMPLATE template0 ENCODING 'UTF8' LC_COLLATE 'C' LC_CTYPE 'C'")
		return err
	})
	if err != nil {
		return "", fmt.Errorf("create database %s: %w", name, err)
	}
	s.remember(name)
	return s.OwnerURL(name), nil
}

// CloneDatabase makes a database as a copy of template, to which nobody may be
// connected. Settings and grants of the template database itself are not copied.
func (s *Server) CloneDatabase(ctx context.Context, name, template string) (ownerURL string, err error) {
	err = s.asAdmin(ctx, func(conn *pgx.Conn) error {
		strategy, err := copyStrategy(ctx, conn)
		if err != nil {
			return err
		}
		_, err = conn.Exec(ctx, "CREATE DATABASE "+quote(name)+" OWNER "+quote(OwnerRole)+
			" TEMPLATE "+quote(template)+strategy)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("clone database %s: %w", name, err)
	}
	s.remember(name)
	return s.OwnerURL(name), nil
}

// copyStrategy asks for a copy of files, which without fsync takes a third of the
// time of a copy through the log (45 against 120 ms, measured on two cores). Before
// version 15 it was the only way and had no name.
func copyStrategy(ctx context.Context, conn *pgx.Conn) (string, error) {
	var version int
	if err := conn.QueryRow(ctx, "SELECT pg_catalog.current_setting('server_version_num')::int").Scan(&version); err != nil {
		return "", fmt.Errorf("read the server's version: %w", err)
	}
	if version < 150000 {
		return "", nil
	}
	return " STRATEGY FILE_COPY", nil
}

// DropDatabase drops a database and ends its connections. One that is not
// there is no error.
func (s *Server) DropDatabase(ctx context.Context, name string) error {
	err := s.asAdmin(ctx, func(conn *pgx.Conn) error { return dropDatabase(ctx, conn, name) })
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.made, name)
	return nil
}

func dropDatabase(ctx context.Context, conn *pgx.Conn, name string) error {
	if _, err := conn.Exec(ctx, "DROP DATABASE IF EXISTS "+quote(name)+" WITH (FORCE)"); err != nil {
		return fmt.Errorf("drop database %s: %w", name, err)
	}
	return nil
}

func (s *Server) remember(name string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.made == nil {
		s.made = make(map[string]bool)
	}
	s.made[name] = true
}

// ensureOwner makes OwnerRole where it is missing. An existing one stays as it
// is: on a private server it is ours, and on a borrowed one Start has checked it.
func (s *Server) ensureOwner(ctx context.Context, conn *pgx.Conn) error {
	var there bool
	if err := conn.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_catalog.pg_roles WHERE rolname = $1)", OwnerRole).Scan(&there); err != nil {
		return fmt.Errorf("look for role %s: %w", OwnerRole, err)
	}
	if there {
		return nil
	}
	var statement string
	const make = `SELECT pg_catalog.format('CREATE ROLE %I LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB CREATEROLE PASSWORD %L', $1::text, $2::text)`
	if err := conn.QueryRow(ctx, make, OwnerRole, s.secrets.Owner).Scan(&statement); err != nil {
		return fmt.Errorf("make role %s: %w", OwnerRole, err)
	}
	if _, err := conn.Exec(ctx, statement); err != nil {
		return fmt.Errorf("make role %s: %w", OwnerRole, err)
	}
	if _, err := conn.Exec(ctx, "COMMENT ON ROLE "+quote(OwnerRole)+" IS '"+roleComment+"'"); err != nil {
		return fmt.Errorf("mark role %s: %w", OwnerRole, err)
	}
	return s.joinOwner(ctx, conn)
}

// joinOwner lets an admin who is no superuser give databases to the owner.
func (s *Server) joinOwner(ctx context.Context, conn *pgx.Conn) error {
	var super bool
	if err := conn.QueryRow(ctx, "SELECT rolsuper FROM pg_catalog.pg_roles WHERE rolname = current_user").Scan(&super); err != nil {
		return fmt.Errorf("read own rights: %w", err)
	}
	if super {
		return nil
	}
	if _, err := conn.Exec(ctx, "GRANT "+quote(OwnerRole)+" TO CURRENT_USER"); err != nil {
		return fmt.Errorf("join role %s: %w", OwnerRole, err)
	}
	return nil
}

// asAdmin runs fn on a connection of the superuser to the maintenance database.
func (s *Server) asAdmin(ctx context.Context, fn func(*pgx.Conn) error) error {
	conn, err := pgx.Connect(ctx, s.AdminURL(""))
	if err != nil {
		return fmt.Errorf("connect as admin: %w", err)
	}
	defer closeConn(ctx, conn)
	return fn(conn)
}

// exclusively is asAdmin under the lock that all processes on the server share.
// Ending the connection frees the lock.
func (s *Server) exclusively(ctx context.Context, fn func(*pgx.Conn) error) error {
	return s.asAdmin(ctx, func(conn *pgx.Conn) error {
		if _, err := conn.Exec(ctx, "SELECT pg_catalog.pg_advisory_lock($1)", int64(clusterLock)); err != nil {
			return fmt.Errorf("lock roles and databases: %w", err)
		}
		return fn(conn)
	})
}

// closeConn says goodbye even when ctx has ended; the server frees what the
// connection held either way.
func closeConn(ctx context.Context, conn *pgx.Conn) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	_ = conn.Close(ctx)
}

func quote(name string) string { return pgx.Identifier{name}.Sanitize() }

func hasCode(err error, code string) bool {
	var pgErr *pgconn.PgError
	return errors.As(err, &pgErr) && pgErr.Code == code
}
