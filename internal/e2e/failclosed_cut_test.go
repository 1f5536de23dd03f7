package e2e

import (
	"testing"

	"google.golang.org/protobuf/proto"
)

// TestCutAtEachStatement cuts the connection to the database after each statement that the service sends for a change, of a push after each message of
// the protocol, until the change goes through uncut. Each time the change is there with its entry, or neither is; and the caller's repetition makes it exactly one change.
func TestCutAtEachStatement(t *testing.T) {
	t.Parallel()
	for name, some := range map[string]func(*scene) []change{
		"sessions": (*scene).sessionChanges, "results": (*scene).resultChanges, "records": (*scene).recordChanges,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newScene(t)
			n := 100
			for _, c := range some(s) {
				n = s.cutEverywhere(c, n)
			}
			s.whole()
		})
	}
}

// cutEverywhere asks for the change as often as it has statements, from the nth request on, and returns the next.
func (s *scene) cutEverywhere(c change, n int) int {
	t := s.t
	in := c.prepare(n)
	before := s.stored()
	if _, err := s.request(s.ctx, c, in); err != nil {
		t.Fatalf("%s: %v", c.method, err)
	}
	want := s.since(before)
	if want == "" {
		t.Fatalf("%s changes nothing", c.method)
	}
	// What else the pool sends now and then is counted too, so that a round may pass over the commit: then there is another.
	var round cuts
	for rounds := 0; round.lost == 0 && rounds < 3; rounds++ {
		round, n = s.cutRound(c, n+1, want)
	}
	t.Logf("%s: %d cuts, after %d the change was made, and in %d of these the caller was not told; %s", c.method, round.all, round.made, round.lost, want)
	if round.lost == 0 || round.made == round.all {
		t.Errorf("%s: no cut was before the change was made, or none between that and the answer", c.method)
	}
	return n + 1
}

// cuts counts all cuts, those after which the change was there, and those of them after which the caller had no answer.
type cuts struct{ all, made, lost int }

// cutRound cuts after each statement once.
func (s *scene) cutRound(c change, n int, want string) (cuts, int) {
	var round cuts
	kinds := statements
	if c.method == "SessionService/PushSession" {
		kinds = messages
	}
	for ; ; n++ {
		in := c.prepare(n)
		before := s.stored()
		s.proxy.cutAfter(kinds, round.all+1)
		_, err := s.request(s.ctx, c, in)
		cut := s.proxy.cutYet()
		added := s.since(before)
		s.cutOnce(c, round.all+1, err, added, want)
		if !cut {
			if err != nil {
				s.t.Errorf("%s, not cut: %v", c.method, err)
			}
			return round, n
		}
		round.all++
		if added != "" {
			round.made++
			if err != nil {
				round.lost++
			}
		}
		s.again(c, in, before, added, err, want)
	}
}

// cutOnce judges what one cut left.
func (s *scene) cutOnce(c change, statement int, err error, added, want string) {
	s.t.Helper()
	switch {
	case added != "" && added != want:
		s.t.Errorf("%s, cut after statement %d: %s was stored, want all of %s or nothing (%v)", c.method, statement, added, want, err)
	case err == nil && added != want:
		s.t.Errorf("%s, cut after statement %d: answered as made, and %q was stored, want %s", c.method, statement, added, want)
	case err != nil:
		refused(s.t, c, err, "UNAVAILABLE", "DEADLINE_EXCEEDED")
	}
}

// again repeats the request, as a caller does that got no answer.
func (s *scene) again(c change, in proto.Message, before map[string]int64, added string, err error, want string) {
	s.t.Helper()
	if c.perCall {
		if err == nil {
			return
		}
		before = s.stored()
		added = ""
	}
	s.repeated(c, in, added != "")
	if got := s.since(before); got != want {
		s.t.Errorf("%s, repeated: %s was stored, want %s once", c.method, got, want)
	}
}
