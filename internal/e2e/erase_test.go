package e2e

import (
	"bytes"
	"crypto/rand"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/store"
)

// erase erases the client of the eastern clinic as an operator does.
func (w *world) erase() (store.Erased, error) {
	w.t.Helper()
	u := must(url.Parse(w.db.SuperURL))(w.t)
	q := u.Query()
	q.Set("role", "ponderal_eraser")
	u.RawQuery = q.Encode()
	salt := make([]byte, 32)
	must(rand.Read(salt))(w.t)
	return store.Erase(w.ctx, u.String(), store.Erasure{ClinicID: east, ClientID: id("a1", 1), Demand: "letter 7", AskedBy: "the client", Operator: "test",
		At: time.Now(), Salt: salt, Confirmed: true})
}

// hold places or lifts a hold on the client.
func (w *world) hold(call caller.Caller, lifted bool, expected uint32) {
	w.t.Helper()
	in := &pb.PutLegalHoldRequest{LegalHold: &pb.LegalHold{Id: id("41", 1), ClientId: id("a1", 1), Reason: "a suit", Lifted: lifted}, ExpectedRevision: expected}
	got := must(caller.Do[pb.PutLegalHoldResponse](w.ctx, call, "RetentionService/PutLegalHold", in))(w.t)
	if got.LegalHold.GetLifted() != lifted || got.LegalHold.GetRevision().GetNumber() != expected+1 {
		w.t.Errorf("hold: %v", got)
	}
}

// TestErasureOverBothTransports: a hold placed through the contract keeps an erasure off, lifted it does not. What was erased is answered as erased, comes not
// back, and a monitor that nobody here wrote finds the log as it was.
func TestErasureOverBothTransports(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest, token := w.fill(east, eastMark, 37)
	w.fill(west, westMark, 36)
	w.fillTo(east, 260)
	monitor := w.monitor(east, token)
	before := monitor.head(w, east)
	_, _, tile := monitor.get("/tile/0/000")

	w.hold(w.service.As(token, caller.REST), false, 0)
	if _, err := w.erase(); err == nil || !strings.Contains(err.Error(), "LEGAL_HOLD") || !fault.Is(err, fault.Precondition) {
		t.Fatalf("under a hold: %v", err)
	}
	w.hold(w.service.As(token, caller.GRPC), true, 1)
	done, err := w.erase()
	if err != nil {
		t.Fatal(err)
	}
	for _, way := range both {
		w.wantErased(w.service.As(token, way), digest, done.Entry)
		if holds := must(caller.Do[pb.ListLegalHoldsResponse](w.ctx, w.service.As(token, way), "RetentionService/ListLegalHolds", &pb.ListLegalHoldsRequest{}))(t); len(holds.LegalHolds) != 1 {
			t.Errorf("holds: %v", holds)
		}
	}
	after := monitor.head(w, east)
	if _, _, now := monitor.get("/tile/0/000"); !bytes.Equal(tile, now) || len(tile) != 256*32 {
		t.Error("a tile of older entries changed")
	}
	reader := tlog.TileHashReader(after, monitor)
	proof := must(tlog.ProveTree(after.N, before.N, reader))(t)
	if err := tlog.CheckTree(proof, after.N, after.Hash, before.N, before.Hash); err != nil || after.N <= before.N {
		t.Errorf("the log of %d entries does not begin with that of %d: %v", after.N, before.N, err)
	}
}

func (w *world) wantErased(call caller.Caller, digest string, told int64) {
	w.t.Helper()
	want := func(what, code string, err error) {
		w.t.Helper()
		if p, ok := caller.AsProblem(err); !ok || p.Code != code || p.Reason != "ERASED" {
			w.t.Errorf("%s over %v: %v, want %s ERASED", what, call.Way(), err, code)
		}
	}
	_, err := caller.Do[pb.GetClientResponse](w.ctx, call, "ClientService/GetClient", &pb.GetClientRequest{Id: id("a1", 1)})
	want("client", "NOT_FOUND", err)
	_, err = caller.Do[pb.GetSessionResponse](w.ctx, call, "SessionService/GetSession", &pb.GetSessionRequest{Id: id("5e", 1)})
	want("session", "NOT_FOUND", err)
	_, err = caller.Do[pb.GetResultResponse](w.ctx, call, "ResultService/GetResult", &pb.GetResultRequest{Id: id("9a", 1)})
	want("result", "NOT_FOUND", err)
	_, err = w.push(call, session(w.t, digest, 1))
	want("session pushed again", "FAILED_PRECONDITION", err)
	_, err = caller.Do[pb.PutClientResponse](w.ctx, call, "ClientService/PutClient", &pb.PutClientRequest{Client: &pb.Client{Id: id("a1", 1), GivenName: "Pat",
		FamilyName: "Again", BirthDate: "1980-03-05", Sex: pb.Sex_SEX_FEMALE}})
	want("client put again", "FAILED_PRECONDITION", err)

	history := must(caller.Do[pb.GetScoreHistoryResponse](w.ctx, call, "AuditService/GetScoreHistory", &pb.GetScoreHistoryRequest{SessionId: id("5e", 1)}))(w.t)
	gone, naming := 0, 0
	for _, step := range history.Changes {
		if step.Entry.ErasedBy == uint64(told) && step.Entry.Reason == fmt.Sprintf("content erased on demand, see entry %d", told) && step.Entry.Actor.GetName() == "" {
			gone++
		}
		if step.Entry.Number == uint64(told) && len(step.Entry.Erased) > 0 {
			naming++
		}
	}
	if gone != 2 || naming != 1 || len(history.Changes) != 3 {
		w.t.Errorf("history over %v: %v", call.Way(), history.Changes)
	}
}
