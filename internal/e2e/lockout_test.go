package e2e

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	spb "google.golang.org/genproto/googleapis/rpc/status"

	"ponderal.example/internal/casework"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/store"
)

// newGuardedDoor is a world in which the tenth failed sign-in locks.
func newGuardedDoor(t testing.TB) *world {
	t.Helper()
	w := newWorldWith(t, func(w *world, st *store.Store, o *casework.Options) {
		o.SignIn, o.Signers = signIns(t, st, nil, leastCost), nil
		o.SignIn.Attempts = must(casework.NewStoredAttempts(st.Limits(w.clock.now), 10, 15*time.Minute, slog.New(slog.DiscardHandler), unheard{}))(t)
	})
	w.clinic(east, dana)
	return w
}

// tellAll is all that a REST answer to a failed sign-in tells: status, every header but those of its own moment, and the body without the id of the request.
func (w *world) tellAll(login string) string {
	w.t.Helper()
	body := fmt.Sprintf(`{"clinicId":%q,"login":%q,"password":"not the password","code":"000000"}`, east, login)
	resp := must(http.Post("http://"+w.at.REST+"/v1/sign-in", "application/json", strings.NewReader(body)))(w.t)
	defer func() { _ = resp.Body.Close() }()
	text := must(io.ReadAll(resp.Body))(w.t)
	var st spb.Status
	if err := protojson.Unmarshal(text, &st); err != nil {
		w.t.Fatalf("%s: %v", text, err)
	}
	var parts []string
	for name, values := range resp.Header {
		switch name {
		case "Date", "X-Request-Id", "Content-Length":
		case "Ratelimit":
			// What is left differs from call to call; that it is told does not.
			parts = append(parts, name)
		default:
			parts = append(parts, name+"="+strings.Join(values, ","))
		}
	}
	slices.Sort(parts)
	id := resp.Header.Get("X-Request-Id")
	return strings.Join(append(parts, resp.Status, strings.ReplaceAll(st.String(), id, "ID")), "\n")
}

// TestLockoutOverTheWire: ten failures lock a login, over both transports, until the time that the answer names; a login that is not there, and the one
// that is, get the same answers down to the headers.
func TestLockoutOverTheWire(t *testing.T) {
	t.Parallel()
	w := newGuardedDoor(t)
	admin, anyone := w.administrator(caller.GRPC), w.service.As("", caller.GRPC)
	there := w.bind(admin, east, 1)
	w.setUp(admin, anyone, &there)
	answers := func(login string) (all []string) {
		for range 12 {
			all = append(all, w.tellAll(login))
		}
		return all
	}
	known, unknown := answers(there.login), answers("nobody.w")
	for i := range known {
		if known[i] != unknown[i] {
			t.Errorf("answer %d tells who is there:\n%s\nand\n%s", i+1, known[i], unknown[i])
		}
		locked := strings.Contains(known[i], "429") && strings.Contains(known[i], "Retry-After=60") && strings.Contains(known[i], "RATE_LIMITED")
		if locked != (i >= 10) || strings.Contains(known[i], "401") != (i < 10) {
			t.Errorf("answer %d: %s", i+1, known[i])
		}
	}
	// A code moves the clock to its next step; it is set back first, so that the lock's minute does not pass.
	for _, way := range both {
		w.pass(-30 * time.Second)
		if _, err := w.signIn(w.service.As("", way), there, w.code(there.secret)); refusal(err) != "RESOURCE_EXHAUSTED RATE_LIMITED" {
			t.Errorf("over %v with everything right while locked: %q", way, refusal(err))
		}
	}
	w.pass(time.Minute)
	if _, err := w.signIn(anyone, there, w.code(there.secret)); err != nil {
		t.Errorf("after the lock: %v", err)
	}
	if got := w.ask("SELECT cardinality(subjects)::text FROM ponderal.audit_entry WHERE action = 'sign_in.lock' ORDER BY number"); !slices.Equal(got, []string{"1", "0"}) {
		t.Errorf("entries of the locks, subjects each: %v, want one of the identity and one of nobody", got)
	}
}
