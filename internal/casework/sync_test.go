package casework

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// told are the records that the log itself says were written, entry by entry, of the kinds that are followed: what a follower must have got.
func (w *world) told(clinic string, kinds []string) []string {
	w.t.Helper()
	var out []string
	err := w.store.ReadClinic(w.ctx, clinic, func(tx *store.Tx) error {
		rows, err := tx.Entries(w.ctx, -1, "", "", 100_000)
		for _, row := range rows {
			e := must(entryOf(row))(w.t)
			for _, r := range e.Records {
				if slices.Contains(kinds, r.Kind) {
					out = append(out, fmt.Sprintf("%d %s %s %d", e.Number, r.Kind, r.ID, r.Revision))
				}
				for _, run := range r.Trials {
					for i := range len(run.Digests) * 3 / 4 / 32 {
						out = append(out, fmt.Sprintf("%d trial %s/%d/%d %d", e.Number, r.ID, run.Series, run.First+i, r.Revision))
					}
				}
			}
		}
		return err
	})
	if err != nil {
		w.t.Fatal(err)
	}
	slices.Sort(out)
	return out
}

// follower keeps what it was sent, and refuses an entry that does not come after the one before.
type follower struct {
	got  []string
	last int64
}

func (f *follower) take(list ChangeList) error {
	for _, c := range list.Changes {
		if c.Entry <= f.last {
			return fmt.Errorf("entry %d after %d", c.Entry, f.last)
		}
		f.last = c.Entry
		for _, r := range c.Records {
			if len(r.Body) == 0 {
				return fmt.Errorf("%s %s has no body", r.Kind, r.ID)
			}
			f.got = append(f.got, fmt.Sprintf("%d %s %s %d", c.Entry, r.Kind, r.ID, r.Revision))
		}
	}
	return nil
}

// TestEveryChangeOnceInOrder: many write at once, on two replicas; pulling page by page, and watching with a slow reader whose stream is cut again
// and again, both give what the log says was written, each once, in order, none left out.
func TestEveryChangeOnceInOrder(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	replicas := []*Casework{w.c, w.replica(w.store)}
	ctx, cancel := context.WithTimeout(w.ctx, time.Minute)
	defer cancel()
	go func() { _ = w.store.RunWakes(ctx) }()
	const writers, each = 8, 6
	var writing sync.WaitGroup
	for i := range writers {
		writing.Go(func() {
			for j := range each {
				n := 100 + i*each + j
				if _, err := replicas[i%2].PushSession(ctx, w.station(east), session(t, digest, n)); err != nil {
					t.Errorf("push %d: %v", n, err)
				}
				c := record.Client{ID: id("a1", n), GivenName: "Pat", FamilyName: fmt.Sprint("Example ", n), BirthDate: "1980-03-05"}
				if _, err := replicas[j%2].PutClient(ctx, w.admin(east), c, 0); err != nil {
					t.Errorf("put client %d: %v", n, err)
				}
			}
		})
	}
	done := make(chan struct{})
	go func() { writing.Wait(); close(done) }()
	var puller, watcher follower
	puller.last, watcher.last = -1, -1
	var reading sync.WaitGroup
	reading.Go(func() { pullAll(ctx, t, w, done, &puller) })
	reading.Go(func() { watchAll(ctx, t, w, done, &watcher) })
	reading.Wait()
	want := w.told(east, store.ChangeKinds())
	for name, f := range map[string]*follower{"pulling": &puller, "watching": &watcher} {
		slices.Sort(f.got)
		if diff := cmp.Diff(want, f.got); diff != "" {
			t.Errorf("%s (-written +got):\n%s", name, diff)
		}
	}
}

// replica is another service over a store, with the same keys.
func (w *world) replica(st *store.Store) *Casework {
	return must(New(w.ctx, Options{Store: st, Log: w.c.log, ResultKey: w.c.key, Ring: w.ring, Now: w.clock.now, Rand: w.c.rand, Signers: w.c.signers}))(w.t)
}

// pullAll pulls small pages until nothing more comes after everything was written.
func pullAll(ctx context.Context, t *testing.T, w *world, done <-chan struct{}, f *follower) {
	cursor, finished := "", false
	for {
		list, err := w.c.PullChanges(ctx, w.reviewer(east), record.Page{Size: 7, Cursor: cursor})
		if err == nil {
			err = f.take(list)
		}
		if err != nil {
			t.Error(err)
			return
		}
		cursor = list.Next
		if list.More {
			continue
		}
		if finished {
			return
		}
		select {
		case <-done:
			finished = true
		case <-time.After(time.Millisecond):
		}
	}
}

var errCut = errors.New("the stream was cut")

// watchAll watches until it has been sent the whole log. Its stream is cut after every third page, and it is slow.
func watchAll(ctx context.Context, t *testing.T, w *world, done <-chan struct{}, f *follower) {
	cursor := ""
	for {
		pages := 0
		err := w.c.WatchChanges(ctx, w.reviewer(east), cursor, func(list ChangeList) error {
			if err := f.take(list); err != nil {
				t.Error(err)
			}
			cursor = list.Next
			time.Sleep(2 * time.Millisecond)
			if pages++; pages%3 == 0 {
				return errCut
			}
			select {
			case <-done:
				return errCut
			default:
				return nil
			}
		})
		if !errors.Is(err, errCut) {
			t.Errorf("watching ended: %v", err)
			return
		}
		select {
		case <-done:
			head := must(w.c.GetCheckpoint(ctx, w.admin(east)))(t)
			if cursor == strconv.FormatInt(head.Size-1, 10) {
				return
			}
		default:
		}
	}
}

// TestWatchIsWokenByAnotherReplica: what a replica that shares nothing with the watcher but the database commits is seen at once, not at the next
// look without being woken.
func TestWatchIsWokenByAnotherReplica(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.ready(east)
	far := must(store.Open(w.ctx, store.Options{URL: w.url, MaxConns: 2}))(t)
	t.Cleanup(far.Close)
	other := w.replica(far)
	ctx, cancel := context.WithTimeout(w.ctx, lookAgain*2/3)
	defer cancel()
	for _, s := range []*store.Store{w.store, far} {
		go func() { _ = s.RunWakes(ctx) }()
	}
	pages := make(chan ChangeList, 10)
	go func() {
		_ = w.c.WatchChanges(ctx, w.reviewer(east), "", func(list ChangeList) error { pages <- list; return nil })
	}()
	seen := int64(-1)
	for i := 0; ; i++ {
		select {
		case list := <-pages:
			for _, c := range list.Changes {
				seen = c.Entry
			}
		case <-ctx.Done():
			t.Fatalf("not woken; seen up to entry %d", seen)
		}
		if i > 0 && seen == must(w.c.GetCheckpoint(w.ctx, w.admin(east)))(t).Size-1 {
			return
		}
		if i == 0 {
			must(other.PutClient(w.ctx, w.admin(east), record.Client{ID: id("a1", 77), GivenName: "Pat", FamilyName: "Example", BirthDate: "1980-03-05"}, 0))(t)
		}
	}
}

// TestPullChanges: bounds of a page, what a station is not sent, another clinic's log, and cursors that are none.
func TestPullChanges(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	w.release(east, day.Add(time.Hour))
	must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	must(w.c.PushSessions(w.ctx, w.station(east), []record.Session{conflicting(t, s)}))(t)
	all := must(w.c.PullChanges(w.ctx, w.reviewer(east), record.Page{}))(t)
	kinds := map[string]int{}
	for _, c := range all.Changes {
		for _, r := range c.Records {
			kinds[r.Kind]++
		}
	}
	for _, kind := range store.ChangeKinds() {
		if kinds[kind] == 0 {
			t.Errorf("no %s among the changes", kind)
		}
	}
	if all.More {
		t.Error("there is more than everything")
	}
	for _, c := range must(w.c.PullChanges(w.ctx, w.station(east), record.Page{}))(t).Changes {
		for _, r := range c.Records {
			if r.Kind == record.KindResult || r.Kind == record.KindRelease {
				t.Errorf("a station is sent a %s", r.Kind)
			}
		}
	}
	rest := must(w.c.PullChanges(w.ctx, w.reviewer(east), record.Page{Cursor: all.Next}))(t)
	if len(rest.Changes) != 0 || rest.Next != all.Next || rest.More {
		t.Errorf("after the last: %+v", rest)
	}
	if first := must(w.c.PullChanges(w.ctx, w.reviewer(east), record.Page{Size: 1}))(t); first.Next != "0" || !first.More {
		t.Errorf("a page of one: %+v", first)
	}
	for _, c := range must(w.c.PullChanges(w.ctx, w.member(west, dana, record.RoleReviewer), record.Page{}))(t).Changes {
		for _, r := range c.Records {
			if r.Kind == record.KindSession || r.Kind == record.KindClient {
				t.Errorf("another clinic is sent a %s", r.Kind)
			}
		}
	}
	beyond := strconv.Itoa(must(strconv.Atoi(all.Next))(t) + 1)
	for _, cursor := range []string{"x", "-2", beyond, "1.5", "9999999999999999999999"} {
		_, err := w.c.PullChanges(w.ctx, w.reviewer(east), record.Page{Cursor: cursor})
		wantFault(t, err, fault.Invalid, "INVALID_REQUEST")
	}
	_, err := w.c.PullChanges(w.ctx, w.reviewer(east), record.Page{Size: mostChanges + 1})
	wantFault(t, err, fault.Invalid, "INVALID_REQUEST")
	_ = must(w.c.PullChanges(w.ctx, w.reviewer(east), record.Page{Size: mostChanges}))(t)
	_, err = w.c.PullChanges(w.ctx, w.payer(insure), record.Page{})
	wantFault(t, err, fault.Denied, "NO_CLINIC")
}
