package e2e

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/code"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	"ponderal.example/internal/demo/caller"
)

// answer is what came back, as it came: a caller who looks for traces of what exists sees all of it.
type answer struct {
	code string
	http int
	// raw is the whole answer, the id of the request taken out.
	raw string
	// message is the answer of a call that went well.
	message *dynamicpb.Message
}

// line calls one at a time, and keeps what goes over the wire. REST goes through a relay that sets the authorization as it is given and
// reads the answer along.
type line struct {
	grpc    *grpc.ClientConn
	service *caller.Service
	relay   *httptest.Server
	auth    string
	status  int
	headers http.Header
	body    []byte
}

// newLine makes a line to the service; conn is shared.
func (w *world) newLine(conn *grpc.ClientConn) *line {
	w.t.Helper()
	l := &line{grpc: conn}
	target := must(url.Parse("http://" + w.at.REST))(w.t)
	transport := &http.Transport{}
	l.relay = httptest.NewServer(&httputil.ReverseProxy{
		Transport: transport,
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(target)
			if r.Out.Header.Del("Authorization"); l.auth != "" {
				r.Out.Header.Set("Authorization", l.auth)
			}
		},
		ModifyResponse: func(r *http.Response) error {
			text, err := wholeOrFirst(r)
			l.status, l.headers, l.body = r.StatusCode, r.Header.Clone(), text
			r.Body = io.NopCloser(bytes.NewReader(text))
			return errors.Join(err)
		},
	})
	l.service = must(caller.Dial(w.at.GRPC, l.relay.URL))(w.t)
	w.t.Cleanup(func() {
		_ = l.service.Close()
		l.relay.Close()
		transport.CloseIdleConnections()
	})
	return l
}

// watchPath is the one stream without an end of its own.
const watchPath = "/v1/sync/watch"

// wholeOrFirst is a body, or of a stream without an end its first message.
func wholeOrFirst(r *http.Response) ([]byte, error) {
	if r.Request.URL.Path != watchPath || r.StatusCode != http.StatusOK {
		return io.ReadAll(r.Body)
	}
	line, err := bufio.NewReader(r.Body).ReadBytes('\n')
	r.Header.Del("Content-Length")
	inner, _ := bytes.CutPrefix(bytes.TrimSpace(line), []byte(`{"result":`))
	return bytes.TrimSuffix(inner, []byte("}")), errors.Join(err, r.Body.Close())
}

// call sends a request with an authorization, empty for none.
func (l *line) call(ctx context.Context, t testing.TB, way caller.Way, auth string, m protoreflect.MethodDescriptor, in proto.Message) answer {
	if way == caller.REST {
		return l.callREST(ctx, t, auth, m, in)
	}
	if auth != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", auth)
	}
	var header metadata.MD
	out := dynamicpb.NewMessage(m.Output())
	err := l.invoke(ctx, m, in, out, &header)
	whole := proto.Message(out)
	got := answer{code: "OK", message: out}
	if err != nil {
		st := status.Convert(err).Proto()
		got, whole = answer{code: code.Code(st.GetCode()).String()}, st
	}
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(whole)
	if err != nil {
		t.Errorf("%s: %v", methodName(m), err)
	}
	got.raw = without(string(raw), header.Get("x-request-id"))
	return got
}

// invoke makes a call over gRPC. The pieces of a streamed body become one body, as over REST.
func (l *line) invoke(ctx context.Context, m protoreflect.MethodDescriptor, in proto.Message, out *dynamicpb.Message, header *metadata.MD) error {
	name := "/ponderal.v1." + methodName(m)
	if !m.IsStreamingServer() {
		return l.grpc.Invoke(ctx, name, in, out, grpc.Header(header))
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := l.grpc.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, name)
	if err == nil {
		// What goes wrong with a request is told by the answer.
		_ = errors.Join(stream.SendMsg(in), stream.CloseSend())
	}
	for err == nil {
		piece := dynamicpb.NewMessage(m.Output())
		if err = stream.RecvMsg(piece); err == nil && m.Output().Fields().ByName("data") == nil {
			// A stream of messages has no end of its own: the first will do.
			proto.Merge(out, piece)
			err = io.EOF
		} else if err == nil {
			data := m.Output().Fields().ByName("data")
			whole := append(out.Get(data).Bytes(), piece.Get(data).Bytes()...)
			proto.Merge(out, piece)
			out.Set(data, protoreflect.ValueOfBytes(whole))
		}
	}
	if stream != nil {
		if *header, _ = stream.Header(); errors.Is(err, io.EOF) {
			return nil
		}
	}
	return err
}

func (l *line) callREST(ctx context.Context, t testing.TB, auth string, m protoreflect.MethodDescriptor, in proto.Message) answer {
	l.auth, l.status, l.headers, l.body = auth, 0, nil, nil
	out := dynamicpb.NewMessage(m.Output())
	err := l.service.As("", caller.REST).Call(ctx, methodName(m), in, out)
	got := answer{code: "OK", http: l.status, message: out}
	if err != nil {
		p, ok := caller.AsProblem(err)
		if !ok {
			t.Errorf("%s over REST: %v", methodName(m), err)
			return got
		}
		got.code, got.message = p.Code, nil
	}
	raw := &strings.Builder{}
	for _, name := range []string{"Content-Type", "Www-Authenticate", "Retry-After", "Cache-Control", "Etag", "Location"} {
		raw.WriteString(name + ": " + strings.Join(l.headers.Values(name), ", ") + "\n")
	}
	raw.Write(l.body)
	got.raw = without(raw.String(), l.headers.Values("X-Request-Id"))
	return got
}

// without takes the ids of the request out.
func without(text string, ids []string) string {
	for _, id := range ids {
		text = strings.ReplaceAll(text, id, "REQUEST")
	}
	return text
}
