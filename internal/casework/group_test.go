package casework

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// recorder stores nothing and keeps which sessions came together; hold, where set, is asked before it answers.
type recorder struct {
	mu     sync.Mutex
	groups [][]string
	hold   func(ctx context.Context, group []*pushing) error
}

func (r *recorder) store(ctx context.Context, group []*pushing) ([]pushAnswer, error) {
	var ids []string
	answers := make([]pushAnswer, len(group))
	for i, in := range group {
		ids = append(ids, in.session.ID)
		answers[i].pushed.Finding.Value.SessionID = in.session.ID
	}
	r.mu.Lock()
	r.groups = append(r.groups, ids)
	r.mu.Unlock()
	if r.hold != nil {
		if err := r.hold(ctx, group); err != nil {
			return nil, err
		}
	}
	return answers, nil
}

func pushOf(clinic, session string, trials int) *pushing {
	in := &pushing{session: record.Session{ID: session, ClinicID: clinic}}
	in.trials = slices.Grow(in.trials, trials)[:trials]
	return in
}

// caller pushes one session in a goroutine and keeps the answer.
type caller struct {
	done   chan struct{}
	pushed Pushed
	err    error
}

func call(ctx context.Context, g *gate, in *pushing, store storeFunc) *caller {
	c := &caller{done: make(chan struct{})}
	go func() {
		defer close(c.done)
		defer func() {
			if r := recover(); r != nil {
				c.err = errors.New("panicked")
			}
		}()
		c.pushed, c.err = g.do(ctx, in, store)
	}()
	synctest.Wait()
	return c
}

func (c *caller) want(t *testing.T, session string) {
	t.Helper()
	<-c.done
	if c.err != nil || c.pushed.Finding.Value.SessionID != session {
		t.Errorf("push of %s: got the answer of %q, %v", session, c.pushed.Finding.Value.SessionID, c.err)
	}
}

// heldUntil makes the first group wait until the channel is closed.
func heldUntil(release <-chan struct{}) func(context.Context, []*pushing) error {
	var calls atomic.Int64
	return func(ctx context.Context, _ []*pushing) error {
		if calls.Add(1) == 1 {
			<-release
		}
		return ctx.Err()
	}
}

func (g *gate) wantOpen(t *testing.T) {
	t.Helper()
	if len(g.lanes) != 0 {
		t.Errorf("%d lanes are kept after the last push", len(g.lanes))
	}
}

func TestGateGathersWhatArrivesMeanwhile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, release := &gate{}, make(chan struct{})
		r := &recorder{hold: heldUntil(release)}
		ctx := t.Context()
		calls := map[string]*caller{}
		for _, id := range []string{"a", "b", "c", "d"} {
			calls[id] = call(ctx, g, pushOf(east, id, 1), r.store)
		}
		again := call(ctx, g, pushOf(east, "c", 1), r.store)
		other := call(ctx, g, pushOf(west, "a", 1), r.store)
		other.want(t, "a")
		close(release)
		for id, c := range calls {
			c.want(t, id)
		}
		again.want(t, "c")
		want := [][]string{{"a"}, {"a"}, {"b", "c", "d"}, {"c"}}
		if fmt.Sprint(r.groups) != fmt.Sprint(want) {
			t.Errorf("groups %v, want %v: the second is the other clinic's, the last waited for the same session", r.groups, want)
		}
		g.wantOpen(t)
	})
}

func TestGateBoundsGroups(t *testing.T) {
	for name, c := range map[string]struct {
		trials []int
		want   []int
	}{
		"as many pushes as fit":    {slices.Repeat([]int{1}, groupPushes), []int{1, groupPushes}},
		"one push more":            {slices.Repeat([]int{1}, groupPushes+1), []int{1, groupPushes, 1}},
		"as many trials as fit":    {[]int{groupTrials - 1, 1}, []int{1, 2}},
		"one trial more":           {[]int{groupTrials, 1}, []int{1, 1, 1}},
		"a session beyond a group": {[]int{groupTrials + 1}, []int{1, 1}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g, release := &gate{}, make(chan struct{})
				r := &recorder{hold: heldUntil(release)}
				calls := []*caller{call(t.Context(), g, pushOf(east, "first", 1), r.store)}
				for i, n := range c.trials {
					calls = append(calls, call(t.Context(), g, pushOf(east, fmt.Sprint(i), n), r.store))
				}
				close(release)
				for _, c := range calls {
					<-c.done
				}
				var got []int
				for _, ids := range r.groups {
					got = append(got, len(ids))
				}
				if !slices.Equal(got, c.want) {
					t.Errorf("groups of %v, want %v", got, c.want)
				}
				g.wantOpen(t)
			})
		})
	}
}

func TestGateFailsOnlyWhoIsToBlame(t *testing.T) {
	for _, c := range []struct {
		name   string
		err    error
		want   [][]string
		failed []string
	}{
		{"a fault of one", fault.New(fault.Invalid, "X", "x"), [][]string{{"a"}, {"b", "c", "d"}, {"b"}, {"c"}, {"d"}}, []string{"c"}},
		{"the store is away", fault.New(fault.Unavailable, "X", "x"), [][]string{{"a"}, {"b", "c", "d"}}, []string{"b", "c", "d"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g, release := &gate{}, make(chan struct{})
				held := heldUntil(release)
				r := &recorder{hold: func(ctx context.Context, group []*pushing) error {
					if err := held(ctx, group); err != nil {
						return err
					}
					if slices.ContainsFunc(group, func(in *pushing) bool { return in.session.ID == "c" }) {
						return c.err
					}
					return nil
				}}
				calls := map[string]*caller{}
				for _, id := range []string{"a", "b", "c", "d"} {
					calls[id] = call(t.Context(), g, pushOf(east, id, 1), r.store)
				}
				close(release)
				for id, call := range calls {
					if <-call.done; (call.err != nil) != slices.Contains(c.failed, id) {
						t.Errorf("%s: %v", id, call.err)
					}
				}
				if fmt.Sprint(r.groups) != fmt.Sprint(c.want) {
					t.Errorf("groups %v, want %v", r.groups, c.want)
				}
				g.wantOpen(t)
			})
		})
	}
}

func TestGateOutlivesCallersWhoLeave(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, first, second := &gate{}, make(chan struct{}), make(chan struct{})
		var seen []error
		r := &recorder{hold: func(ctx context.Context, group []*pushing) error {
			if group[0].session.ID == "a" {
				<-first
			} else {
				<-second
				synctest.Wait()
				seen = append(seen, ctx.Err())
			}
			return ctx.Err()
		}}
		leaving := func() (context.Context, context.CancelFunc) { return context.WithCancel(t.Context()) }
		late, lateLeaves := leaving()
		leader, leaderLeaves := leaving()
		a := call(t.Context(), g, pushOf(east, "a", 1), r.store)
		gone := call(late, g, pushOf(east, "gone", 1), r.store)
		b := call(leader, g, pushOf(east, "b", 1), r.store)
		c := call(t.Context(), g, pushOf(east, "c", 1), r.store)
		lateLeaves()
		<-gone.done
		if !fault.Is(gone.err, fault.Canceled) {
			t.Errorf("who left while waiting: %v, want Canceled", gone.err)
		}
		close(first)
		a.want(t, "a")
		leaderLeaves()
		close(second)
		c.want(t, "c")
		<-b.done
		if want := [][]string{{"a"}, {"b", "c"}}; fmt.Sprint(r.groups) != fmt.Sprint(want) || len(seen) != 1 || seen[0] != nil {
			t.Errorf("groups %v, want %v; context of the second %v, want one that had not ended", r.groups, want, seen)
		}
		g.wantOpen(t)
	})
}

func TestGateEndsWhenAllHaveLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, release := &gate{}, make(chan struct{})
		held := heldUntil(release)
		r := &recorder{hold: func(ctx context.Context, group []*pushing) error {
			if err := held(ctx, group); err != nil || group[0].session.ID == "a" {
				return err
			}
			<-ctx.Done()
			return ctx.Err()
		}}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		a := call(t.Context(), g, pushOf(east, "a", 1), r.store)
		b := call(ctx, g, pushOf(east, "b", 1), r.store)
		c := call(ctx, g, pushOf(east, "c", 1), r.store)
		close(release)
		a.want(t, "a")
		for _, c := range []*caller{b, c} {
			if <-c.done; c.err == nil {
				t.Error("a push was answered after its time")
			}
		}
		g.wantOpen(t)
		if _, err := g.do(ctx, pushOf(east, "d", 1), r.store); err == nil {
			t.Error("a push of a caller who had left was stored")
		}
		g.wantOpen(t)
	})
}

func TestGatePassesOnAfterAPanic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, release := &gate{}, make(chan struct{})
		held := heldUntil(release)
		r := &recorder{hold: func(ctx context.Context, group []*pushing) error {
			if err := held(ctx, group); err != nil {
				return err
			}
			if group[0].session.ID == "b" {
				panic("b")
			}
			return nil
		}}
		calls := map[string]*caller{}
		for _, id := range []string{"a", "b", "c"} {
			calls[id] = call(t.Context(), g, pushOf(east, id, 1), r.store)
		}
		again := call(t.Context(), g, pushOf(east, "c", 1), r.store)
		close(release)
		calls["a"].want(t, "a")
		for _, id := range []string{"b", "c"} {
			if <-calls[id].done; calls[id].err == nil {
				t.Errorf("%s was answered as stored", id)
			}
		}
		again.want(t, "c")
		g.wantOpen(t)
	})
}

// TestGroupStoresEachOnItsOwnMerits puts a group through the real store: what may be stored is, each under an entry of its own, and what
// may not gets its own answer.
func TestGroupStoresEachOnItsOwnMerits(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	in := func(s record.Session) *pushing {
		s.ClinicID = east
		p := must(encodePush(s))(t)
		p.actor = w.station(east).Actor()
		return p
	}
	there, wrong := session(t, digest, 1), session(t, digest, 2)
	first := must(w.c.PushSession(w.ctx, w.station(east), there))(t)
	changed := there
	changed.Screening.RestingHeartRate = ptr(71)
	wrong.ReferralID = id("e1", 9)
	group := []*pushing{in(there), in(session(t, digest, 3)), in(wrong), in(session(t, digest, 4)), in(session(t, digest, 5))}
	got := must(w.c.storePushes(w.ctx, group))(t)
	if a := got[0]; a.err != nil || !a.pushed.Already || a.pushed.Revision != first.Revision {
		t.Errorf("the same session again: %+v", a)
	}
	wantInvalid(t, got[2].err, "session.referral_id referral.exists")
	for n, i := range []int{1, 3, 4} {
		if a := got[i]; a.err != nil || a.pushed.Already || a.pushed.Revision.Entry != first.Revision.Entry+int64(n)+1 {
			t.Errorf("member %d: %+v, want entry %d", i, a, first.Revision.Entry+int64(n)+1)
		}
		if back := must(w.c.GetFinding(w.ctx, w.station(east), group[i].session.ID, 1))(t); back.Revision != got[i].pushed.Revision {
			t.Errorf("member %d: stored as %+v, answered as %+v", i, back.Revision, got[i].pushed.Revision)
		}
	}
	w.unchanged(func() {
		got := must(w.c.storePushes(w.ctx, []*pushing{in(changed), in(wrong)}))(t)
		wantFault(t, got[0].err, fault.Conflict, "SESSION_CONFLICT")
		wantInvalid(t, got[1].err, "session.referral_id referral.exists")
	})
	w.accounted(east)
}
