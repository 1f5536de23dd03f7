package localpg

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// Statement is one SQL statement with its arguments. Rows, when not negative, is how many rows it must concern.
type Statement struct {
	SQL  string
	Args []any
	Rows int64
}

// Exec runs statements in one transaction as the role that the URL names: all of them or none. It is for what no service does, such as
// to show what becomes of a row that a superuser alters.
func Exec(ctx context.Context, url string, statements ...Statement) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fmt.Errorf("run statements: %w", err)
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		_ = conn.Close(ctx)
	}()
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		for i, s := range statements {
			tag, err := tx.Exec(ctx, s.SQL, s.Args...)
			if err != nil {
				return fmt.Errorf("run statement %d: %w", i+1, err)
			}
			if s.Rows >= 0 && tag.RowsAffected() != s.Rows {
				return fmt.Errorf("run statement %d: it concerned %d rows, want %d", i+1, tag.RowsAffected(), s.Rows)
			}
		}
		return nil
	})
}
