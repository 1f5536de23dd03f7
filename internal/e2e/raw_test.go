package e2e

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"
)

// post sends a body as it is and returns the status and the answer.
func (w *world) post(token string, body io.Reader) (int, string, error) {
	req, err := http.NewRequestWithContext(w.ctx, http.MethodPost, "http://"+w.at.REST+"/v1/sessions", body)
	if err != nil {
		return 0, "", err
	}
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, "", err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	return resp.StatusCode, string(text), err
}

// TestUnreadableBodies sends REST bodies that no client of ours would make: each is refused with details, and nothing is stored.
func TestUnreadableBodies(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	token := w.token(east, "", record.RoleStation)
	good := string(must(protojson.Marshal(&pb.PushSessionRequest{Session: session(t, digest, 1)}))(t))
	before := w.rows()
	for name, c := range map[string]struct{ body, says string }{
		"unknown field":            {`{"colour":"red",` + good[1:], "colour"},
		"unknown field of a trial": {strings.Replace(good, `"repetitions"`, `"reps"`, 1), "reps"},
		"unit that is no unit":     {strings.Replace(good, "UNIT_LB", "UNIT_STONE", 1), "UNIT_STONE"},
		"heart rate as a text":     {strings.Replace(good, `"heartRateBpm":`, `"heartRateBpm":"fast","x":`, 1), ""},
		"heart rate negative":      {strings.Replace(good, `"heartRateBpm":`, `"heartRateBpm":-`, 1), ""},
		"NaN":                      {strings.Replace(good, `"effortRating":`, `"effortRating":NaN,"x":`, 1), ""},
		"truncated":                {good[:len(good)/2], ""},
		"two documents":            {good + good, ""},
		"empty":                    {"", ""},
		"not JSON":                 {"session", ""},
	} {
		code, text, err := w.post(token, strings.NewReader(c.body))
		var answer struct {
			Details []struct {
				Reason string `json:"reason"`
			} `json:"details"`
		}
		if err != nil || code != http.StatusBadRequest || !strings.Contains(text, c.says) || json.Unmarshal([]byte(text), &answer) != nil || len(answer.Details) == 0 {
			t.Errorf("%s: %d %s, %v, want 400 with details that name %q", name, code, text, err, c.says)
		}
	}
	if after := w.rows(); after != before {
		t.Errorf("something was stored:\n%s\nbefore\n%s", after, before)
	}
	if code, text, err := w.post(token, strings.NewReader(good)); err != nil || code != http.StatusOK {
		t.Errorf("the good body: %d %s, %v", code, text, err)
	}
}

// TestHugeBody sends 50 MB both ways.
func TestHugeBody(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	token := w.token(east, "", record.RoleStation)
	before := w.rows()
	s := session(t, digest, 1)
	s.Series[0].StopNote = strings.Repeat("a", 50<<20)
	_, err := w.push(w.service.As(token, both[0]), s)
	// gRPC itself answers, before any code of the service runs, and so without details.
	if p, ok := caller.AsProblem(err); !ok || p.Code != "RESOURCE_EXHAUSTED" {
		t.Errorf("50 MB over gRPC: %v, want RESOURCE_EXHAUSTED", err)
	}
	body := must(protojson.Marshal(&pb.PushSessionRequest{Session: s}))(t)
	code, text, err := w.post(token, bytes.NewReader(body))
	if err != nil || code != http.StatusRequestEntityTooLarge || !strings.Contains(text, "TOO_LARGE") {
		t.Errorf("50 MB over REST: %d %s, %v, want 413", code, text, err)
	}
	// Without a length in advance, it is found out on the way.
	code, text, err = w.post(token, struct{ io.Reader }{bytes.NewReader(body)})
	if err != nil || code != http.StatusRequestEntityTooLarge || !strings.Contains(text, "TOO_LARGE") {
		t.Errorf("50 MB in chunks over REST: %d %s, %v, want 413", code, text, err)
	}
	if after := w.rows(); after != before {
		t.Errorf("something was stored:\n%s\nbefore\n%s", after, before)
	}
}

// TestConnectionBreaksOff sends half of what the header announces and closes.
func TestConnectionBreaksOff(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	token := w.token(east, "", record.RoleStation)
	good := must(protojson.Marshal(&pb.PushSessionRequest{Session: session(t, digest, 1)}))(t)
	before := w.rows()
	conn := must(net.DialTimeout("tcp", w.at.REST, 5*time.Second))(t)
	defer conn.Close()
	_, err := fmt.Fprintf(conn, "POST /v1/sessions HTTP/1.1\r\nHost: %s\r\nAuthorization: Bearer %s\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n%s",
		w.at.REST, token, len(good), good[:len(good)/2])
	if err != nil {
		t.Fatal(err)
	}
	if err := conn.(*net.TCPConn).CloseWrite(); err != nil {
		t.Fatal(err)
	}
	answer, _ := io.ReadAll(conn)
	if !strings.HasPrefix(string(answer), "HTTP/1.1 400") {
		t.Errorf("answer %q, want 400", answer)
	}
	if after := w.rows(); after != before {
		t.Errorf("something was stored:\n%s\nbefore\n%s", after, before)
	}
}

// bytesCodec sends bytes as they are, under the name of the codec that the server expects.
type bytesCodec struct{}

func (bytesCodec) Marshal(v any) (mem.BufferSlice, error) {
	return mem.BufferSlice{mem.SliceBuffer(v.([]byte))}, nil
}
func (bytesCodec) Unmarshal(mem.BufferSlice, any) error { return nil }
func (bytesCodec) Name() string                         { return "proto" }

// detailsOf are the reason and the number of fields that an error of a gRPC client names.
func detailsOf(err error) (reason string, fields int) {
	for _, d := range status.Convert(err).Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			reason = d.GetReason()
		case *errdetails.BadRequest:
			fields = len(d.GetFieldViolations())
		}
	}
	return reason, fields
}

// TestTruncatedMessage cuts a message short at every tenth byte.
func TestTruncatedMessage(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	token, reviewer := w.token(east, "", record.RoleStation), w.token(east, dana, record.RoleReviewer)
	good := must(proto.Marshal(&pb.PushSessionRequest{Session: session(t, digest, 1)}))(t)
	conn := must(grpc.NewClient(w.at.GRPC, grpc.WithTransportCredentials(insecure.NewCredentials())))(t)
	defer conn.Close()
	ctx := metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+token)
	before := w.rows()
	for n := 1; n < len(good); n += 10 {
		err := conn.Invoke(ctx, "/ponderal.v1.SessionService/PushSession", good[:n], &pb.PushSessionResponse{}, grpc.ForceCodecV2(bytesCodec{}))
		// A message that is cut between two fields is whole again, and breaks rules.
		reason, fields := detailsOf(err)
		if status.Code(err) != codes.InvalidArgument || reason != "MALFORMED_MESSAGE" && reason != "INVALID_REQUEST" || fields == 0 {
			t.Errorf("%d of %d bytes: %v, want it refused with details", n, len(good), err)
		}
	}
	// Who is not known, or may not call, learns nothing of the message.
	for code, as := range map[codes.Code]string{codes.Unauthenticated: "", codes.PermissionDenied: reviewer} {
		ctx := metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+as)
		err := conn.Invoke(ctx, "/ponderal.v1.SessionService/PushSession", good[:30], &pb.PushSessionResponse{}, grpc.ForceCodecV2(bytesCodec{}))
		if status.Code(err) != code {
			t.Errorf("a broken message of another caller: %v, want %v", err, code)
		}
	}
	if after := w.rows(); after != before {
		t.Errorf("something was stored:\n%s\nbefore\n%s", after, before)
	}
	if err := conn.Invoke(ctx, "/ponderal.v1.SessionService/PushSession", good, &pb.PushSessionResponse{}, grpc.ForceCodecV2(bytesCodec{})); err != nil {
		t.Errorf("the whole message: %v", err)
	}
}
