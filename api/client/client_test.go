package client_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/durationpb"

	"ponderal.example/api/client"
	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// service is a stand-in that keeps sessions in memory, fails as it is told, and sends one change a session.
type service struct {
	ponderalv1.UnimplementedSyncServiceServer
	mu sync.Mutex
	// fail is what the next calls are answered with; lose stores and then fails.
	fail   []error
	lose   bool
	stored map[string]int
	order  []string
	refuse map[string]*ponderalv1.Refusal
	calls  int
	cut    int
}

func (s *service) PushSessions(ctx context.Context, in *ponderalv1.PushSessionsRequest) (*ponderalv1.PushSessionsResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls++
	md, _ := metadata.FromIncomingContext(ctx)
	if !slices.Equal(md.Get("authorization"), []string{"Bearer pdl_token"}) {
		return nil, status.Error(codes.Unauthenticated, "no token")
	}
	var failed error
	if len(s.fail) > 0 {
		failed, s.fail = s.fail[0], s.fail[1:]
	}
	if failed != nil && !s.lose {
		return nil, failed
	}
	out := &ponderalv1.PushSessionsResponse{}
	for _, x := range in.GetSessions() {
		item := &ponderalv1.PushedSession{SessionId: x.GetId()}
		if r := s.refuse[x.GetId()]; r != nil {
			item.Outcome = &ponderalv1.PushedSession_Refused{Refused: r}
			if r.GetRetryAfterSeconds() > 0 {
				delete(s.refuse, x.GetId())
			}
		} else {
			outcome := ponderalv1.PushSessionResponse_OUTCOME_ALREADY_STORED
			if s.stored[x.GetId()]++; s.stored[x.GetId()] == 1 {
				outcome = ponderalv1.PushSessionResponse_OUTCOME_STORED
				s.order = append(s.order, x.GetId())
			}
			item.Outcome = &ponderalv1.PushedSession_Stored{Stored: &ponderalv1.PushSessionResponse{Outcome: outcome}}
		}
		out.Sessions = append(out.Sessions, item)
	}
	return out, failed
}

// changes from a place on; the cursor is the place.
func (s *service) changes(cursor string) (int, []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	from := 0
	_, _ = fmt.Sscan(cursor, &from)
	return from, s.order[from:]
}

func (s *service) PullChanges(_ context.Context, in *ponderalv1.PullChangesRequest) (*ponderalv1.PullChangesResponse, error) {
	from, left := s.changes(in.GetCursor())
	out := &ponderalv1.PullChangesResponse{More: len(left) > 2}
	for i, id := range left[:min(2, len(left))] {
		out.Changes = append(out.Changes, &ponderalv1.Change{EntryNumber: uint64(from + i), Action: id})
	}
	out.NextCursor = fmt.Sprint(from + len(out.Changes))
	return out, nil
}

// WatchChanges cuts the stream after every change, as often as it is told.
func (s *service) WatchChanges(in *ponderalv1.WatchChangesRequest, to grpc.ServerStreamingServer[ponderalv1.WatchChangesResponse]) error {
	at := in.GetCursor()
	for to.Context().Err() == nil {
		from, left := s.changes(at)
		for i, id := range left {
			at = fmt.Sprint(from + i + 1)
			change := &ponderalv1.Change{EntryNumber: uint64(from + i), Action: id}
			if err := to.Send(&ponderalv1.WatchChangesResponse{Changes: []*ponderalv1.Change{change}, NextCursor: at}); err != nil {
				return err
			}
			s.mu.Lock()
			cut := s.cut > 0
			s.cut--
			s.mu.Unlock()
			if cut {
				return status.Error(codes.Unavailable, "cut")
			}
		}
		time.Sleep(time.Millisecond)
	}
	return to.Context().Err()
}

// dial serves the stand-in and gives a client with an outbox in a folder of the test.
func dial(t *testing.T, s *service, dir string) *client.Client {
	t.Helper()
	s.stored = map[string]int{}
	pipe := bufconn.Listen(1 << 16)
	server := grpc.NewServer()
	ponderalv1.RegisterSyncServiceServer(server, s)
	go func() { _ = server.Serve(pipe) }()
	t.Cleanup(server.Stop)
	outbox, err := client.OpenFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	c, err := client.Dial(client.Options{Address: "passthrough:///pipe", Token: func() string { return "pdl_token" }, Plaintext: true, App: "test", Outbox: outbox, Batch: 3,
		FirstPause: time.Millisecond, LongestPause: 4 * time.Millisecond, CallLimit: time.Second,
		DialOptions: []grpc.DialOption{grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return pipe.DialContext(ctx) })}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return c
}

func put(t *testing.T, c *client.Client, ids ...string) {
	t.Helper()
	for _, id := range ids {
		if err := c.Put(&ponderalv1.Session{Id: id}); err != nil {
			t.Fatal(err)
		}
	}
}

func unavailable() error { return status.Error(codes.Unavailable, "down") }

// TestFlush: everything is stored once and in the order of the outbox, whatever fails in between; a lost answer is made up for by the repetition.
func TestFlush(t *testing.T) {
	overload, err := status.New(codes.ResourceExhausted, "too much").WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(time.Millisecond)})
	if err != nil {
		t.Fatal(err)
	}
	s := &service{fail: []error{unavailable(), overload.Err(), status.Error(codes.DeadlineExceeded, "late"), nil, unavailable()}}
	dir := t.TempDir()
	c := dial(t, s, dir)
	put(t, c, "a", "b", "c", "d", "e")
	got, err := c.Flush(t.Context())
	if err != nil || got.Stored != 5 || got.Already != 0 || len(got.Refused) != 0 {
		t.Fatalf("%+v, %v", got, err)
	}
	if diff := cmp.Diff([]string{"a", "b", "c", "d", "e"}, s.order); diff != "" {
		t.Error(diff)
	}
	s.lose, s.fail = true, []error{unavailable()}
	put(t, c, "f")
	if got, err = c.Flush(t.Context()); err != nil || got.Stored != 0 || got.Already != 1 || s.stored["f"] != 2 {
		t.Errorf("after a lost answer: %+v, %v", got, err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*.session")); len(left) != 0 {
		t.Errorf("left in the outbox: %v", left)
	}
}

// TestFlushGivesUp: what can never succeed is not tried again, and nothing is lost by it; a message that is too large is not taken for overload.
func TestFlushGivesUp(t *testing.T) {
	for _, bad := range []error{status.Error(codes.Unauthenticated, "no"), status.Error(codes.ResourceExhausted, "too large"), status.Error(codes.Internal, "oh")} {
		s := &service{fail: []error{bad}}
		c := dial(t, s, t.TempDir())
		put(t, c, "a")
		if _, err := c.Flush(t.Context()); status.Code(errors.Unwrap(err)) != status.Code(bad) || s.calls != 1 {
			t.Errorf("%v: %v after %d calls", bad, err, s.calls)
		}
		if got, err := c.Flush(t.Context()); err != nil || got.Stored != 1 {
			t.Errorf("%v: then %+v, %v", bad, got, err)
		}
	}
	s := &service{fail: slices.Repeat([]error{unavailable()}, 10_000)}
	c := dial(t, s, t.TempDir())
	put(t, c, "a")
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, err := c.Flush(ctx); err == nil || s.calls < 2 {
		t.Errorf("a service that stays down: %v after %d calls", err, s.calls)
	}
}

// TestRefused: a refused session is kept aside with why, one that may be sent again is, and the others are stored.
func TestRefused(t *testing.T) {
	s := &service{refuse: map[string]*ponderalv1.Refusal{"b": {Code: "ABORTED", Reason: "SESSION_CONFLICT"}, "c": {Code: "UNAVAILABLE", RetryAfterSeconds: 1}}}
	dir := t.TempDir()
	c := dial(t, s, dir)
	put(t, c, "a", "b", "c")
	got, err := c.Flush(t.Context())
	if err != nil || got.Stored != 2 || got.Already != 1 && got.Already != 0 || len(got.Refused) != 1 || got.Refused[0].GetRefused().GetReason() != "SESSION_CONFLICT" {
		t.Fatalf("%+v, %v", got, err)
	}
	if kept, _ := filepath.Glob(filepath.Join(dir, "refused", "*-b.session*")); len(kept) != 2 {
		t.Errorf("kept aside: %v", kept)
	}
	if s.stored["c"] != 1 {
		t.Errorf("c was stored %d times", s.stored["c"])
	}
}

// TestChanges: pulling and watching hand over every change once and in order, across streams that are cut.
func TestChanges(t *testing.T) {
	s := &service{cut: 3}
	c := dial(t, s, t.TempDir())
	ids := []string{"a", "b", "c", "d", "e"}
	put(t, c, ids...)
	if _, err := c.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	var pulled, watched []string
	last := ""
	take := func(into *[]string) client.Handler {
		return func(changes []*ponderalv1.Change, cursor string) error {
			for _, ch := range changes {
				*into = append(*into, ch.GetAction())
			}
			last = cursor
			return nil
		}
	}
	if err := c.Pull(t.Context(), "", take(&pulled)); err != nil || last != "5" {
		t.Errorf("pulled to %q: %v", last, err)
	}
	enough := errors.New("enough")
	err := c.Watch(t.Context(), "", func(changes []*ponderalv1.Change, cursor string) error {
		if err := take(&watched)(changes, cursor); err != nil || len(watched) < len(ids) {
			return err
		}
		return enough
	})
	if !errors.Is(err, enough) {
		t.Errorf("watching ended with %v", err)
	}
	if diff := cmp.Diff(ids, pulled); diff != "" {
		t.Errorf("pulled %s", diff)
	}
	if diff := cmp.Diff(ids, watched); diff != "" {
		t.Errorf("watched %s", diff)
	}
}

// TestFolder: the queue outlives the process and a write that was cut off; what was replaced meanwhile is not taken for done.
func TestFolder(t *testing.T) {
	dir := t.TempDir()
	open := func() *client.Folder {
		f, err := client.OpenFolder(dir)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	f := open()
	for _, id := range []string{"x", "y"} {
		if err := f.Put(id, []byte(id+"1")); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, ".new-123"), []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	f = open()
	first, err := f.Next(1)
	if err != nil || len(first) != 1 || first[0].ID != "x" {
		t.Fatalf("%v, %v", first, err)
	}
	if err := f.Put("x", []byte("x2")); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(f.Done(first[0]), f.Refused(first[0], nil)); err != nil {
		t.Fatal(err)
	}
	all, err := f.Next(10)
	if diff := cmp.Diff([]client.Waiting{{ID: "x", Session: []byte("x2")}, {ID: "y", Session: []byte("y1")}}, all); diff != "" || err != nil {
		t.Errorf("%v\n%s", err, diff)
	}
	if err := errors.Join(f.Done(all[0]), f.Done(all[0]), f.Put("z", nil)); err != nil {
		t.Fatal(err)
	}
	if left, err := open().Next(10); err != nil || len(left) != 2 || left[0].ID != "y" || left[1].ID != "z" {
		t.Errorf("%v, %v", left, err)
	}
	for _, id := range []string{"", "../x", "a/b", "a.b"} {
		if f.Put(id, nil) == nil {
			t.Errorf("id %q was taken", id)
		}
	}
	info, err := os.Stat(filepath.Join(dir, "refused"))
	if err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
}
