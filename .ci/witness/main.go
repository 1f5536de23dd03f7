// Command witness makes the witness of filippo.io/torchwood know the logs of a test: what its own control program does, of which a dependency that is not
// needed for it cannot be had everywhere. Arguments: the database file, then a log's verifier key each.
package main

import (
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"os"
	"strings"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// The tables are those that the witness itself makes where they are missing (internal/witness of that module).
const tables = `
	CREATE TABLE IF NOT EXISTS log (origin TEXT PRIMARY KEY, tree_size INTEGER NOT NULL, tree_hash TEXT NOT NULL);
	CREATE TABLE IF NOT EXISTS key (origin TEXT NOT NULL, key TEXT NOT NULL, FOREIGN KEY(origin) REFERENCES log(origin));`

func run(args []string) error {
	if len(args) < 2 {
		return errors.New("usage: witness DATABASE VERIFIER_KEY...")
	}
	db, err := sqlite.OpenConn(args[0], 0)
	if err != nil {
		return fmt.Errorf("open database: %w", err)
	}
	defer db.Close()
	if err := sqlitex.ExecScript(db, tables); err != nil {
		return fmt.Errorf("make tables: %w", err)
	}
	empty := sha256.Sum256(nil)
	for _, vkey := range args[1:] {
		origin, _, _ := strings.Cut(vkey, "+")
		for _, statement := range []struct {
			sql  string
			args []any
		}{
			{"INSERT INTO log (origin, tree_size, tree_hash) VALUES (?, 0, ?)", []any{origin, base64.StdEncoding.EncodeToString(empty[:])}},
			{"INSERT INTO key (origin, key) VALUES (?, ?)", []any{origin, vkey}},
		} {
			if err := sqlitex.Execute(db, statement.sql, &sqlitex.ExecOptions{Args: statement.args}); err != nil {
				return fmt.Errorf("add log %s: %w", origin, err)
			}
		}
	}
	return nil
}
