package migrations_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"ponderal.example/internal/pgtest"
	"ponderal.example/migrations"
)

// held is a database in whose table t somebody reads in a transaction that does not end, which keeps every change of the table's form waiting.
type held struct {
	db   *pgtest.DB
	long *pgx.Conn
	from fstest.MapFS
}

func newHeld(t *testing.T) held {
	t.Helper()
	ctx := context.Background()
	h := held{db: pgtest.NewEmpty(t), from: fstest.MapFS{"0001_a.up.sql": file("CREATE TABLE public.t (n int);"), "0001_a.down.sql": file("DROP TABLE public.t;")}}
	must(t, "up", migrations.UpFrom(ctx, h.db.OwnerURL, h.from))
	h.from["0002_b.up.sql"] = file("CREATE TABLE public.before_it (k int);\nALTER TABLE public.t ADD COLUMN m int;")
	h.from["0002_b.down.sql"] = file("ALTER TABLE public.t DROP COLUMN m; DROP TABLE public.before_it;")
	h.long = dial(t, h.db.SuperURL)
	for _, statement := range []string{"BEGIN", "SELECT n FROM public.t"} {
		if _, err := h.long.Exec(ctx, statement); err != nil {
			t.Fatal(err)
		}
	}
	return h
}

func dial(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

// TestNoLockIsWaitedForOverASecond: whoever reads the table while a file waits for it waits a second at most, and the file is applied when the table is free.
func TestNoLockIsWaitedForOverASecond(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	h := newHeld(t)
	done := make(chan error, 1)
	go func() { done <- migrations.UpFrom(ctx, h.db.OwnerURL, h.from) }()
	reader := dial(t, h.db.SuperURL)
	var longest time.Duration
	waited := 0
	for began := time.Now(); time.Since(began) < 3500*time.Millisecond; {
		at := time.Now()
		if _, err := reader.Exec(ctx, "SELECT n FROM public.t"); err != nil {
			t.Fatal(err)
		}
		took := time.Since(at)
		longest = max(longest, took)
		if took > 100*time.Millisecond {
			waited++
		}
		time.Sleep(10 * time.Millisecond)
	}
	select {
	case err := <-done:
		t.Fatalf("the file was applied while its table was held: %v", err)
	default:
	}
	// The second, and what a busy machine adds.
	if waited == 0 || longest > 2500*time.Millisecond {
		t.Errorf("%d readers waited behind the file, the longest %v, want some and no more than a second", waited, longest)
	}
	if _, err := h.long.Exec(ctx, "ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	must(t, "up when the table is free", <-done)
	if _, err := reader.Exec(ctx, "SELECT n, m FROM public.t, public.before_it"); err != nil {
		t.Error(err)
	}
}

// TestLockedOutLeavesNothing: a caller who does not wait for the lock's end finds the database as it was, and may come again.
func TestLockedOutLeavesNothing(t *testing.T) {
	t.Parallel()
	h := newHeld(t)
	ctx, cancel := context.WithTimeout(context.Background(), 1500*time.Millisecond)
	defer cancel()
	err := migrations.UpFrom(ctx, h.db.OwnerURL, h.from)
	var pgErr *pgconn.PgError
	if !errors.As(err, &pgErr) || pgErr.Code != "55P03" || !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "0002_b.up.sql") {
		t.Errorf("up = %v, want lock_not_available (55P03) of 0002_b.up.sql and the end of the caller's time", err)
	}
	checkVersion(t, h.db.OwnerURL, 1)
	if _, err := h.long.Exec(context.Background(), "ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	must(t, "up again", migrations.UpFrom(context.Background(), h.db.OwnerURL, h.from))
	checkVersion(t, h.db.OwnerURL, 2)
	must(t, "down", migrations.DownFrom(context.Background(), h.db.OwnerURL, h.from))
}
