package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/jackc/pgx/v5/pgconn"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
)

// raise makes the server fail a statement of the transaction with an SQLSTATE.
func raise(ctx context.Context, tx *Tx, code string) error {
	b := tx.batch()
	b.Queue("DO $$ BEGIN RAISE EXCEPTION USING ERRCODE = '" + code + "'; END $$")
	return tx.send(ctx, b, "raise")
}

func TestRetry(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	for _, tt := range []struct {
		code      string
		fails     int
		wantTries int
		want      fault.Kind
		ok        bool
	}{
		{"40001", 2, 3, 0, true},
		{"40P01", 4, 5, 0, true},
		{"40001", 9, 5, fault.Unavailable, false},
		{"23505", 9, 1, fault.Conflict, false},
		{"23503", 9, 1, fault.Precondition, false},
		{"57014", 9, 1, fault.Deadline, false},
		{"53300", 9, 1, fault.Unavailable, false},
		{"XX000", 9, 1, fault.Internal, false},
	} {
		tries := 0
		err := s.InClinic(ctx, clinicA, func(tx *Tx) error {
			tries++
			if tries <= tt.fails {
				return raise(ctx, tx, tt.code)
			}
			return tx.OpenLog(ctx)
		})
		if tries != tt.wantTries || (err == nil) != tt.ok || (err != nil && !fault.Is(err, tt.want)) {
			t.Errorf("%s: %d tries, %v; want %d tries, kind %d", tt.code, tries, err, tt.wantTries, tt.want)
		}
	}
}

func TestNoRetryOnceCanceled(t *testing.T) {
	t.Parallel()
	s := open(t, pgtest.New(t))
	ctx, cancel := context.WithCancel(context.Background())
	tries := 0
	err := s.InClinic(ctx, clinicA, func(tx *Tx) error {
		tries++
		err := raise(ctx, tx, "40001")
		cancel()
		return err
	})
	if tries != 1 || err == nil {
		t.Errorf("%d tries, %v", tries, err)
	}
	err = s.InClinic(ctx, clinicA, func(tx *Tx) error { return tx.OpenLog(ctx) })
	if !fault.Is(err, fault.Canceled) {
		t.Errorf("%v, want Canceled", err)
	}
	late, done := context.WithTimeout(context.Background(), 50*time.Millisecond)
	defer done()
	err = s.InClinic(late, clinicA, func(tx *Tx) error {
		b := tx.batch()
		b.Queue("SELECT pg_sleep(10)")
		return tx.send(late, b, "sleep")
	})
	if !fault.Is(err, fault.Deadline) {
		t.Errorf("%v, want Deadline", err)
	}
}

func TestIgnoredFailureIsNotCommitted(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	err := s.InClinic(ctx, clinicA, func(tx *Tx) error {
		if err := tx.OpenLog(ctx); err != nil {
			return err
		}
		_ = raise(ctx, tx, "23505")
		return nil
	})
	if !fault.Is(err, fault.Conflict) {
		t.Errorf("%v, want the ignored Conflict", err)
	}
	wantNoLog(t, s)
}

func wantNoLog(t testing.TB, s *Store) {
	t.Helper()
	err := s.ReadClinic(context.Background(), clinicA, func(tx *Tx) error {
		_, _, err := tx.Head(context.Background())
		return err
	})
	if !fault.Is(err, fault.NotFound) {
		t.Errorf("head: %v, want NotFound", err)
	}
}

func TestOwnErrorRollsBackAndComesThrough(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	want := fault.New(fault.Conflict, "SESSION_CONFLICT", "x")
	err := s.InClinic(ctx, clinicA, func(tx *Tx) error { return errors.Join(tx.OpenLog(ctx), want) })
	if !errors.Is(err, want) {
		t.Errorf("%v, want %v", err, want)
	}
	wantNoLog(t, s)
}

func TestReadOnlyDoesNotWrite(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	err := s.ReadClinic(ctx, clinicA, func(tx *Tx) error { return tx.Apply(ctx, Write{Entry: entry(0, "x")}) })
	if reasonOf(t, err) != "READ_ONLY" {
		t.Errorf("%v, want READ_ONLY", err)
	}
	if err := s.ReadClinic(ctx, clinicA, func(tx *Tx) error { return tx.OpenLog(ctx) }); err == nil {
		t.Error("a read-only transaction opened a log")
	}
}

func TestSettingsEndWithTheTransaction(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.New(t)
	s, err := Open(ctx, Options{URL: db.ServiceURL, MaxConns: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	fill(t, s, clinicA, "a")
	if _, err := s.ReadNetwork(ctx, record.KindClinic, "", 10); err != nil {
		t.Fatal(err)
	}
	if _, err := s.FindToken(ctx, id(400)); err != nil {
		t.Fatal(err)
	}
	if _, err := s.ReadFeed(ctx, payer, 0, 10); err != nil {
		t.Fatal(err)
	}
	var left string
	const settings = `SELECT current_setting('ponderal.clinic_id', true) || current_setting('ponderal.network', true)
		|| current_setting('ponderal.token_id', true) || current_setting('ponderal.payer_id', true)`
	if err := s.pool.QueryRow(ctx, settings).Scan(&left); err != nil || left != "" {
		t.Errorf("settings left on the connection: %q, %v", left, err)
	}
}

func TestLostConnection(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.New(t)
	s := open(t, db)
	openLogs(t, s, clinicA)
	super := connect(t, db.SuperURL)
	kill := func(tx *Tx) {
		exec(t, super, fmt.Sprintf("SELECT pg_terminate_backend(%d, 5000)", tx.conn.Conn().PgConn().PID()))
	}
	for name, last := range map[string]func(*Tx, Write) error{
		"before apply":  func(tx *Tx, w Write) error { kill(tx); return tx.Apply(ctx, w) },
		"before commit": func(tx *Tx, w Write) error { err := tx.Apply(ctx, w); kill(tx); return err },
		"before both":   func(tx *Tx, w Write) error { kill(tx); return tx.ApplyAndCommit(ctx, w) },
	} {
		err := s.InClinic(ctx, clinicA, func(tx *Tx) error {
			size, _, err := tx.LockHead(ctx)
			if err != nil {
				return err
			}
			return last(tx, Write{Entry: entry(size, "x"), Edge: make([]byte, 32), Docs: docs(1, "x")})
		})
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != fault.Unavailable || f.RetryAfter == 0 {
			t.Errorf("%s: %v, want Unavailable with advice", name, err)
		}
	}
	in(t, s, clinicA, func(tx *Tx) error {
		if size, _, err := tx.Head(ctx); size != 0 || err != nil {
			t.Errorf("size %d, %v; want nothing stored", size, err)
		}
		return nil
	})
}

func TestExhaustedPoolIsOverloaded(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s, err := Open(ctx, Options{URL: pgtest.New(t).ServiceURL, MaxConns: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	in(t, s, clinicA, func(tx *Tx) error {
		if err := tx.OpenLog(ctx); err != nil {
			return err
		}
		_, err := s.FindToken(ctx, id(1))
		if !fault.Is(err, fault.Overloaded) {
			t.Errorf("%v, want Overloaded", err)
		}
		short, cancel := context.WithTimeout(ctx, 20*time.Millisecond)
		defer cancel()
		if _, err := s.FindToken(short, id(1)); !fault.Is(err, fault.Deadline) {
			t.Errorf("%v, want Deadline", err)
		}
		return nil
	})
}

func TestConcurrentAppendsLeaveNoGap(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	const writers, each = 20, 5
	var group sync.WaitGroup
	for w := range writers {
		group.Go(func() {
			for i := range each {
				err := s.InClinic(ctx, clinicA, func(tx *Tx) error {
					p, err := tx.PushContext(ctx, PushKeys{})
					if err != nil {
						return err
					}
					return tx.ApplyAndCommit(ctx, Write{Entry: entry(p.HeadSize, "x"), Edge: make([]byte, 32),
						Docs: []DocRow{{Kind: record.KindKit, ID: id(1 + w*each + i), Revision: 1, Body: []byte("{}")}}})
				})
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	group.Wait()
	in(t, s, clinicA, func(tx *Tx) error {
		next := int64(0)
		if err := tx.ScanEntries(ctx, func(e EntryScan) error {
			if e.Number != next {
				t.Errorf("entry %d, want %d", e.Number, next)
			}
			next++
			return nil
		}); err != nil {
			return err
		}
		if size, _, err := tx.Head(ctx); next != writers*each || size != next || err != nil {
			t.Errorf("%d entries, head %d, %v", next, size, err)
		}
		return nil
	})
}

func TestAppendOutOfTurnIsRefused(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	for _, number := range []int64{1, -1} {
		err := s.InClinic(ctx, clinicA, func(tx *Tx) error {
			return tx.Apply(ctx, Write{Entry: entry(number, "x"), Edge: make([]byte, 32)})
		})
		if err == nil {
			t.Errorf("entry %d was appended to an empty log", number)
		}
	}
	add(t, s, clinicA, "x", Write{})
}

// TestSeveralWritesInOne: each write of a group keeps its own entry and subjects, its rows carry its number, and entries that do not
// follow one another are refused whole.
func TestSeveralWritesInOne(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	write := func(number int64, subjects ...string) Write {
		n := int(number)
		return Write{Entry: entry(number, "x", subjects...), Edge: bytes.Repeat([]byte{byte(n)}, 32),
			Docs:     []DocRow{{Kind: record.KindFinding, ID: id(n + 1), Revision: 1, Body: []byte(`{"n":1}`)}, {Kind: record.KindProtocol, ID: fmt.Sprint(n), Revision: 1, Body: []byte(`{"n":1}`)}},
			Sessions: []SessionRow{{ID: id(n + 1), ReferralID: id(50), Revision: 1, Body: []byte(`{"n":1}`)}},
			Trials:   []NewTrial{{SessionID: id(n + 1), Series: 1, Number: 1, Revision: 1, Body: []byte(`{"n":1}`)}}}
	}
	for _, group := range [][]Write{{}, {write(0), write(2)}, {write(0), write(0)}, {write(1), write(0)}} {
		if err := s.InClinic(ctx, clinicA, func(tx *Tx) error { return tx.Apply(ctx, group...) }); err == nil {
			t.Errorf("a group of %d entries out of turn was stored", len(group))
		}
	}
	in(t, s, clinicA, func(tx *Tx) error {
		return tx.ApplyAndCommit(ctx, write(0, "a", "b"), write(1), write(2, "c"))
	})
	in(t, s, clinicA, func(tx *Tx) error {
		size, edge, err := tx.Head(ctx)
		if err != nil || size != 3 || edge[0] != 2 {
			t.Errorf("head %d, edge %x, %v; want 3 and the edge of the last", size, edge, err)
		}
		entries, err := tx.Entries(ctx, -1, "", "", 10)
		if err != nil {
			return err
		}
		for n, want := range [][]string{{"a", "b"}, {}, {"c"}} {
			if diff := cmp.Diff(entry(int64(n), "x", want...), entries[n], cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("entry %d (-want +got)\n%s", n, diff)
			}
			trials, err := tx.Trials(ctx, id(n+1), 1)
			finding, err2 := tx.At(ctx, record.KindFinding, id(n+1), 1)
			if err != nil || err2 != nil || len(trials) != 1 || trials[0].Entry != int64(n) || finding.Entry != int64(n) {
				t.Errorf("rows of entry %d: %+v, %+v, %v, %v", n, trials, finding, err, err2)
			}
		}
		return nil
	})
}

// TestPushContextsKeepApart: pushes that are read together see what each refers to and nothing of the others'.
func TestPushContextsKeepApart(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	doc := func(kind string, n int, body string) DocRow {
		return DocRow{Kind: kind, ID: id(n), Revision: 1, Body: []byte(body)}
	}
	add(t, s, clinicA, "x", Write{
		Docs: []DocRow{doc(record.KindClient, 1, `1`), doc(record.KindClient, 2, `2`), doc(record.KindMember, 3, `3`), doc(record.KindKit, 6, `6`),
			doc(record.KindReferral, 4, `{"client_id":"`+id(1)+`"}`), doc(record.KindReferral, 5, `{"client_id":"`+id(2)+`"}`)},
		Sessions: []SessionRow{{ID: id(7), ReferralID: id(4), Revision: 1, Body: []byte(`7`)}, {ID: id(8), ReferralID: id(5), Revision: 1, Body: []byte(`8`)}},
		Trials:   []NewTrial{{SessionID: id(7), Series: 1, Number: 1, Revision: 1, Body: []byte(`71`)}, {SessionID: id(8), Series: 1, Number: 1, Revision: 1, Body: []byte(`81`)}},
	})
	keys := []PushKeys{{SessionID: id(7), ReferralID: id(4), EvaluatorID: id(3)}, {SessionID: id(8), ReferralID: id(5), KitIDs: []string{id(6)}},
		{SessionID: id(9), ReferralID: id(4)}, {}}
	in(t, s, clinicA, func(tx *Tx) error {
		together, err := tx.PushContexts(ctx, keys)
		if err != nil {
			return err
		}
		for i, k := range keys {
			alone, err := tx.PushContext(ctx, k)
			if diff := cmp.Diff(alone, together[i]); diff != "" || err != nil {
				t.Errorf("push %d (-alone +together): %v\n%s", i, err, diff)
			}
		}
		if p := together[0]; string(p.Trials[0].Body) != `71` || string(p.Client.Body) != `1` || len(p.Kits) != 0 || p.Evaluator == nil {
			t.Errorf("the first push: %+v", p)
		}
		if p := together[2]; p.Session != nil || p.First != nil || len(p.Trials) != 0 || string(p.Client.Body) != `1` {
			t.Errorf("the new session: %+v", p)
		}
		return nil
	})
}

func TestUseAfterCommitFails(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	err := s.InClinic(ctx, clinicA, func(tx *Tx) error {
		if err := tx.ApplyAndCommit(ctx, Write{Entry: entry(0, "x"), Edge: make([]byte, 32)}); err != nil {
			return err
		}
		_, _, err := tx.Head(ctx)
		return err
	})
	if !errors.Is(err, errDone) {
		t.Errorf("%v, want errDone", err)
	}
}

// TestTranslateLog: a rule broken by what the service itself writes is no caller's fault; the same rule broken by a record is.
func TestTranslateLog(t *testing.T) {
	for table, want := range map[string]fault.Kind{"audit_entry": fault.Internal, "audit_head": fault.Internal, "checkpoint": fault.Internal, "client": fault.Invalid} {
		if err := translate("op", &pgconn.PgError{Code: "23514", TableName: table}); !fault.Is(err, want) {
			t.Errorf("%s: %v, want kind %d", table, err, want)
		}
	}
}

func TestTranslate(t *testing.T) {
	for code, want := range map[string]fault.Kind{
		"23505": fault.Conflict, "23503": fault.Precondition, "23514": fault.Invalid, "22021": fault.Invalid, "40001": fault.Unavailable,
		"55P03": fault.Unavailable, "57014": fault.Deadline, "57P01": fault.Unavailable, "57P03": fault.Unavailable, "08006": fault.Unavailable,
		"53300": fault.Unavailable, "25006": fault.Unavailable, "42501": fault.Internal, "23000": fault.Internal, "42P01": fault.Internal,
		"": fault.Internal, "ZZZZZ": fault.Internal,
	} {
		err := translate("op", &pgconn.PgError{Code: code, Message: "marker", Detail: "marker"})
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != want || (f.RetryAfter > 0) != (want == fault.Unavailable || want == fault.Overloaded) {
			t.Errorf("%s: %v, want kind %d", code, err, want)
		}
		if got := fmt.Sprint(err); strings.Contains(got, "marker") {
			t.Errorf("%s: %q holds the server's message", code, got)
		}
	}
	constraint := &pgconn.PgError{Code: "23505", ConstraintName: "result_first"}
	if got := reasonOf(t, translate("op", constraint)); got != "RESULT_EXISTS" {
		t.Errorf("constraint: %s", got)
	}
	if translate("op", nil) != nil {
		t.Error("nil became an error")
	}
}
