package store

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"

	"ponderal.example/internal/fault"
)

const (
	maxAttempts = 5
	// firstPause is the longest pause before the second attempt; it doubles with each further one.
	firstPause = 8 * time.Millisecond
	// rollbackLimit is the rollback's own deadline: it outlives the caller's.
	rollbackLimit = 2 * time.Second

	beginWrite = "BEGIN ISOLATION LEVEL READ COMMITTED READ WRITE"
	beginRead  = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
	bindClinic = "SELECT set_config('ponderal.clinic_id', $1, true)"
	commit     = "COMMIT"
)

// Tx is one transaction bound to one clinic. Its begin is sent with its first statements, so that it costs no round trip of its own. Not
// for concurrent use.
type Tx struct {
	store    *Store
	clinicID string
	clinic   pgtype.UUID
	begin    string

	conn       *pgxpool.Conn // nil until the first statement
	done       func()        // gives back the turn that came with the connection
	failed     error         // the first failure of a statement; the transaction is then lost
	commitSent bool
	committed  bool
	appended   bool // an entry was appended to the clinic's log
	cursors    int  // made so far, for their names
}

// InClinic runs fn in one read-committed transaction that sees and writes only the clinic's rows. It retries on serialization failure,
// deadlock and a connection found lost before its statements were sent. A cancelled ctx is never retried. When the connection is lost after
// commit was sent, the outcome is unknown and the error Unavailable: the caller repeats, and what it repeats is idempotent.
func (s *Store) InClinic(ctx context.Context, clinicID string, fn func(*Tx) error) error {
	return s.retry(ctx, clinicID, beginWrite, fn)
}

// ReadClinic runs fn in one read-only repeatable-read transaction that sees only the clinic's rows.
func (s *Store) ReadClinic(ctx context.Context, clinicID string, fn func(*Tx) error) error {
	return s.retry(ctx, clinicID, beginRead, fn)
}

func (s *Store) retry(ctx context.Context, clinicID, begin string, fn func(*Tx) error) error {
	clinic, ok := parseID(clinicID)
	if !ok {
		return malformed("clinic_id")
	}
	for attempt := 1; ; attempt++ {
		tx := &Tx{store: s, clinicID: clinicID, clinic: clinic, begin: begin}
		err := tx.run(ctx, fn)
		if err == nil {
			return nil
		}
		again := tx.failed != nil && mayRetry(tx.failed)
		if !again || attempt == maxAttempts || ctx.Err() != nil || !pause(ctx, attempt) {
			return translate("run transaction", err)
		}
	}
}

// pause waits a random while, so that transactions that met once do not meet again; false when ctx ended.
func pause(ctx context.Context, attempt int) bool {
	timer := time.NewTimer(rand.N(firstPause << (attempt - 1)))
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}

// run is one attempt. A panic of fn releases the connection on its way.
func (tx *Tx) run(ctx context.Context, fn func(*Tx) error) error {
	defer tx.release(ctx)
	if err := fn(tx); err != nil {
		return err
	}
	if tx.failed != nil {
		// fn ignored a failed statement; Postgres would roll back at commit.
		return translate("run transaction", tx.failed)
	}
	return tx.finish(ctx)
}

func (tx *Tx) finish(ctx context.Context) error {
	if tx.conn == nil || tx.committed {
		return nil
	}
	return tx.sendCommit(ctx, &pgx.Batch{}, "commit")
}

// sendCommit sends the batch with the commit as its last statement.
func (tx *Tx) sendCommit(ctx context.Context, b *pgx.Batch, op string) error {
	var tag pgconn.CommandTag
	b.Queue(commit).Exec(func(t pgconn.CommandTag) error {
		tag = t
		return nil
	})
	tx.commitSent = true
	if err := tx.send(ctx, b, op); err != nil {
		return err
	}
	if tag.String() != commit {
		tx.failed = fmt.Errorf("commit answered %s", tag)
		return translate(op, tx.failed)
	}
	tx.committed = true
	if tx.appended {
		tx.store.wakes.committed(tx.clinicID)
	}
	return nil
}

// batch starts a batch. The first of a transaction begins it and binds it to the clinic.
func (tx *Tx) batch() *pgx.Batch {
	b := &pgx.Batch{}
	if tx.conn == nil {
		b.Queue(tx.begin)
		b.Queue(bindClinic, tx.clinicID)
	}
	return b
}

// send runs a batch in one round trip. After a failure the transaction is lost and every further statement fails alike.
func (tx *Tx) send(ctx context.Context, b *pgx.Batch, op string) error {
	switch {
	case tx.failed != nil:
		return translate(op, tx.failed)
	case tx.committed:
		tx.failed = errDone
		return translate(op, errDone)
	}
	if tx.conn == nil {
		if err := tx.connect(ctx); err != nil {
			tx.failed = err
			return translate(op, err)
		}
	}
	err := lost(tx.conn.Conn(), tx.conn.SendBatch(ctx, b).Close())
	if err == nil {
		return nil
	}
	tx.failed = err
	return translate(op, err)
}

// connect takes a connection; a transaction that writes waits for its clinic's turn first.
func (tx *Tx) connect(ctx context.Context) (err error) {
	done := func() {}
	if tx.begin == beginWrite {
		if done, err = tx.store.turns.take(ctx, tx.clinicID); err != nil {
			return err
		}
	}
	if tx.conn, err = tx.store.acquire(ctx); err != nil {
		done()
		return err
	}
	tx.done = done
	return nil
}

// lost marks an error that closed the connection, unless the server or the context gave the reason.
func lost(conn *pgx.Conn, err error) error {
	var pg *pgconn.PgError
	if err == nil || !conn.IsClosed() || errors.As(err, &pg) || pgconn.SafeToRetry(err) ||
		errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return fmt.Errorf("%w: %w", errLost, err)
}

// acquire takes a connection from the pool within acquireLimit.
func (s *Store) acquire(ctx context.Context) (*pgxpool.Conn, error) {
	limited, cancel := context.WithTimeout(ctx, acquireLimit)
	defer cancel()
	conn, err := s.pool.Acquire(limited)
	switch {
	case err == nil:
		return conn, nil
	case ctx.Err() != nil:
		return nil, translate("acquire connection", ctx.Err())
	case limited.Err() != nil && s.pool.Stat().AcquiredConns() >= s.pool.Config().MaxConns:
		return nil, overloaded.wrap(fmt.Errorf("acquire connection: %w", err))
	case fault.Is(translate("", err), fault.Internal), limited.Err() != nil:
		return nil, unavailable.wrap(fmt.Errorf("acquire connection: %w", err))
	}
	return nil, translate("acquire connection", err)
}

// release ends the transaction if it is open and gives the connection back. One that does not end in time is closed, which ends it too.
func (tx *Tx) release(ctx context.Context) {
	if tx.conn == nil {
		return
	}
	conn := tx.conn
	defer tx.done()
	defer conn.Release()
	if conn.Conn().IsClosed() || conn.Conn().PgConn().TxStatus() == 'I' {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), rollbackLimit)
	defer cancel()
	if _, err := conn.Exec(ctx, "ROLLBACK"); err != nil {
		_ = conn.Conn().Close(ctx)
	}
}

// query runs one statement and collects its rows.
func query[T any](ctx context.Context, tx *Tx, op string, scan pgx.RowToFunc[T], sql string, args ...any) ([]T, error) {
	var got []T
	b := tx.batch()
	b.Queue(sql, args...).Query(func(rows pgx.Rows) error {
		var err error
		got, err = pgx.CollectRows(rows, scan)
		return err
	})
	if err := tx.send(ctx, b, op); err != nil {
		return nil, err
	}
	return got, nil
}

// queryOne is query for at most one row; what names it in the NotFound fault.
func queryOne[T any](ctx context.Context, tx *Tx, op, what string, scan pgx.RowToFunc[T], sql string, args ...any) (T, error) {
	var none T
	got, err := query(ctx, tx, op, scan, sql, args...)
	if err != nil {
		return none, err
	}
	if len(got) == 0 {
		return none, notFound(what)
	}
	return got[0], nil
}
