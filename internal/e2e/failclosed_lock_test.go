package e2e

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"
)

// TestHeadLocked has another session hold the head of a clinic's log. Every change of that clinic waits, and is refused when the caller's time or the
// wait's own is up, with nothing stored; a payer is shown nothing. Reading goes on, and so do changes in another clinic. After the lock is gone each
// repetition makes its change.
func TestHeadLocked(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	s.clinic(west, dana)
	asked := s.prepared(100)
	before := s.stored()
	other := must(pgx.Connect(s.ctx, s.db.SuperURL))(t)
	defer func() { _ = other.Close(context.Background()) }()
	must(other.Exec(s.ctx, "BEGIN"))(t)
	must(other.Exec(s.ctx, "SELECT 1 FROM ponderal.audit_head WHERE clinic_id = $1 FOR UPDATE", east))(t)

	var patient sync.WaitGroup
	patient.Go(func() {
		begin := time.Now()
		_, err := s.request(s.ctx, asked[0].change, asked[0].in)
		refused(t, asked[0].change, err, "UNAVAILABLE", "DEADLINE_EXCEEDED")
		if waited := time.Since(begin); waited < 3*time.Second || waited > 20*time.Second {
			t.Errorf("a caller who names no time is refused after %v", waited)
		}
	})
	var hasty sync.WaitGroup
	for _, a := range asked { // far more at once than the pool has connections
		hasty.Go(func() { s.inVain(a, 3*time.Second) })
	}
	s.readsGoOn()
	hasty.Wait()
	if got := s.since(before); got != "" {
		t.Errorf("while the head was locked %s was stored", got)
	}
	must(caller.Do[pb.PutClientResponse](s.ctx, s.service.As(s.token(west, robin, record.RoleClinicAdmin), caller.GRPC), "ClientService/PutClient",
		&pb.PutClientRequest{Client: &pb.Client{Id: id("a1", 1), GivenName: "Pat", FamilyName: "West", BirthDate: "1980-03-05", Sex: pb.Sex_SEX_MALE}}))(t)
	patient.Wait()
	must(other.Exec(s.ctx, "ROLLBACK"))(t)
	s.allMade(asked)
	s.whole()
}

// prepared is a change with a request for it.
type prepared struct {
	change
	in proto.Message
}

// prepared has a request for every kind of change, all that they need stored.
func (s *scene) prepared(n int) []prepared {
	s.t.Helper()
	var asked []prepared
	for _, c := range s.changes() {
		asked = append(asked, prepared{c, c.prepare(n)})
		n++
	}
	return asked
}

// inVain asks for a change that cannot be made, and demands that the caller is told to try again within the time, and shown nothing.
func (s *scene) inVain(a prepared, within time.Duration) {
	ctx, cancel := context.WithTimeout(s.ctx, within)
	defer cancel()
	begin := time.Now()
	out, err := s.request(ctx, a.change, a.in)
	refused(s.t, a.change, err, "UNAVAILABLE", "DEADLINE_EXCEEDED")
	if took := time.Since(begin); took > within+5*time.Second {
		s.t.Errorf("%s: refused after %v", a.method, took)
	}
	if proto.Size(out) > 0 {
		s.t.Errorf("%s: refused, and answered %v", a.method, out)
	}
}

// readsGoOn reads as the clinic does, which is no entry.
func (s *scene) readsGoOn() {
	s.t.Helper()
	ctx, cancel := context.WithTimeout(s.ctx, 5*time.Second)
	defer cancel()
	for i, c := range []struct {
		method  string
		in, out proto.Message
	}{
		{"ClientService/GetClient", &pb.GetClientRequest{Id: id("a1", 1)}, &pb.GetClientResponse{}},
		{"SessionService/ListSessions", &pb.ListSessionsRequest{}, &pb.ListSessionsResponse{}},
		{"ResultService/GetResult", &pb.GetResultRequest{Id: id("9a", 1)}, &pb.GetResultResponse{}},
	} {
		if err := s.calls["reviewer"].Call(ctx, c.method, c.in, c.out); err != nil || proto.Size(c.out) == 0 {
			s.t.Errorf("reading %d: %v", i, err)
		}
	}
}

// allMade repeats every request and demands that each makes its change now.
func (s *scene) allMade(asked []prepared) {
	s.t.Helper()
	for _, a := range asked {
		before := s.stored()
		if _, err := s.request(s.ctx, a.change, a.in); err != nil {
			s.t.Errorf("%s again: %v", a.method, err)
		}
		if got := s.since(before); got == "" {
			s.t.Errorf("%s again changes nothing", a.method)
		}
	}
}
