package e2e

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"ponderal.example/api/client"
	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"
)

// syncing is a world with a station's token, and sessions of it that have not been sent.
func syncing(t *testing.T) (w *world, token string, sessions []*pb.Session) {
	t.Helper()
	w = newWorld(t)
	digest := w.ready(east)
	for n := range 3 {
		s := session(t, digest, 1)
		s.Id = id("5b", n)
		sessions = append(sessions, s)
	}
	return w, w.token(east, "", record.RoleStation), sessions
}

// TestAppSyncs: a clinic app's client sends what waits in its outbox, is told of a session that breaks a rule and of one in conflict, each by itself, and
// gets every change once by watching.
func TestAppSyncs(t *testing.T) {
	t.Parallel()
	w, token, sessions := syncing(t)
	outbox := must(client.OpenFolder(t.TempDir()))(t)
	app := must(client.Dial(client.Options{Address: w.at.GRPC, Token: func() string { return token }, Plaintext: true, App: "station app", Outbox: outbox}))(t)
	t.Cleanup(func() { _ = app.Close() })
	must(w.push(w.service.As(token, caller.GRPC), sessions[0]))(t)
	other := proto.CloneOf(sessions[0])
	other.Screening.RestingHeartRateBpm = proto.Uint32(77)
	wrong := proto.CloneOf(sessions[1])
	wrong.Series[0].Trials[0].Load.Value = "-3"
	traced := proto.CloneOf(sessions[2])
	traced.Series[0].Trials[0].HeartRateTrace = &pb.HeartRateTrace{StartedAt: traced.Series[0].Trials[0].At, Changes: []int32{88, 1, -2, -87, 90}}
	for _, s := range []*pb.Session{other, wrong, traced} {
		if err := app.Put(s); err != nil {
			t.Fatal(err)
		}
	}
	got := must(app.Flush(w.ctx))(t)
	if got.Stored != 1 || len(got.Refused) != 2 {
		t.Fatalf("%+v", got)
	}
	if r := got.Refused[0]; r.GetRefused().GetReason() != "SESSION_CONFLICT" || r.GetConflictId() == "" {
		t.Errorf("the conflict: %v", r)
	}
	if r := got.Refused[1].GetRefused(); r.GetCode() != "INVALID_ARGUMENT" || len(r.GetViolations()) != 1 || r.GetViolations()[0].GetField() != "session.series[0].trials[0].load.value" {
		t.Errorf("the wrong one: %v", r)
	}
	back := must(caller.Do[pb.GetSessionResponse](w.ctx, w.service.As(token, caller.REST), "SessionService/GetSession", &pb.GetSessionRequest{Id: traced.Id}))(t)
	if !proto.Equal(back.GetSession().GetSeries()[0].GetTrials()[0].GetHeartRateTrace(), traced.Series[0].Trials[0].HeartRateTrace) {
		t.Errorf("the trace came back as %v", back.GetSession().GetSeries()[0].GetTrials()[0].GetHeartRateTrace())
	}
	seen := map[string]int{}
	enough := errors.New("enough")
	ctx, cancel := context.WithTimeout(w.ctx, 20*time.Second)
	defer cancel()
	err := app.Watch(ctx, "", func(changes []*pb.Change, _ string) error {
		for _, c := range changes {
			for _, r := range c.GetRecords() {
				if r.GetKind() == record.KindSession || r.GetKind() == record.KindSessionConflict {
					seen[r.GetId()]++
				}
			}
		}
		if len(seen) == 3 {
			return enough
		}
		return nil
	})
	if !errors.Is(err, enough) || seen[sessions[0].Id] != 1 || seen[traced.Id] != 1 {
		t.Errorf("watched %v: %v", seen, err)
	}
}

// TestCompressedBatchOverREST: a body compressed with gzip is read as what it holds; what is no whole gzip, or another coding, is refused, and one that
// unpacks to more than a message may have is too large.
func TestCompressedBatchOverREST(t *testing.T) {
	t.Parallel()
	w, token, sessions := syncing(t)
	plain := must(protojson.Marshal(&pb.PushSessionsRequest{Sessions: sessions}))(t)
	good := packed(t, plain)
	bomb := packed(t, append(append([]byte(`{"sessions":[],"x":"`), bytes.Repeat([]byte(" "), 40<<20)...), `"}`...))
	for name, c := range map[string]struct {
		coding string
		body   []byte
		status int
		says   string
	}{
		"gzip":     {"gzip", good, 200, "OUTCOME_STORED"},
		"cut off":  {"gzip", good[:len(good)/2], 400, "MALFORMED_BODY"},
		"not gzip": {"gzip", plain, 400, "MALFORMED_BODY"},
		"brotli":   {"br", plain, 415, "CONTENT_ENCODING"},
		"a bomb":   {"gzip", bomb, 413, "TOO_LARGE"},
	} {
		req := must(http.NewRequestWithContext(w.ctx, http.MethodPost, "http://"+w.at.REST+"/v1/sync/push", bytes.NewReader(c.body)))(t)
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("Content-Encoding", c.coding)
		req.Header.Set("Authorization", "Bearer "+token)
		resp := must(http.DefaultClient.Do(req))(t)
		text := must(io.ReadAll(resp.Body))(t)
		_ = resp.Body.Close()
		if resp.StatusCode != c.status || !strings.Contains(string(text), c.says) {
			t.Errorf("%s: %d %s, want %d with %s", name, resp.StatusCode, text, c.status, c.says)
		}
	}
}

func packed(t *testing.T, plain []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	if _, err := z.Write(plain); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}
