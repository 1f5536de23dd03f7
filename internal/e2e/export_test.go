package e2e

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/bits"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
	"ponderal.example/internal/serve"
	"ponderal.example/internal/store"
)

// longLog makes a clinic's log longer by so many entries of 2 KiB each, past the service, whose tree is not one: an export does not look at it.
func (w *world) longLog(clinic string, entries int) (size int) {
	w.t.Helper()
	from := int(number(w.ask("SELECT size::text FROM ponderal.audit_head WHERE clinic_id = $1", clinic)[0]))
	size = from + entries
	for _, sql := range []string{
		fmt.Sprintf(`INSERT INTO ponderal.audit_entry (clinic_id, number, at, action, subjects, content, salt, nodes)
			SELECT '%[1]s', n, '2026-03-04T12:00:00Z', 'kit.put', ARRAY['kit:' || n], '{"action":"kit.put","actor":{"label":"x"},"at":"2026-03-04T12:00:00Z","clinic_id":"%[1]s","number":' || n
				|| ',"reason":"' || repeat('long ', 400) || '"}', sha256(n::text::bytea), sha256(n::text::bytea) FROM generate_series(%[2]d, %[3]d) n`, clinic, from, size-1),
		fmt.Sprintf(`UPDATE ponderal.audit_head SET size = %d, edge = decode(repeat('ab', %d), 'hex') WHERE clinic_id = '%s'`, size, 32*bits.OnesCount(uint(size)), clinic),
	} {
		if _, err := w.super.Exec(w.ctx, sql); err != nil {
			w.t.Fatal(err)
		}
	}
	return size
}

// numbersIn are the numbers of the whole lines of an export, and whether it has its end; a rest of a line is not looked at.
func numbersIn(t *testing.T, text []byte) (numbers []int64, whole bool) {
	t.Helper()
	for line := range bytes.Lines(text) {
		if !bytes.HasSuffix(line, []byte("\n")) {
			continue
		}
		var one struct {
			Number *int64
			End    bool
		}
		if err := json.Unmarshal(line, &one); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		if whole = one.End; !whole {
			if one.Number == nil {
				t.Fatalf("%q is neither an entry nor the end", line)
			}
			numbers = append(numbers, *one.Number)
		}
	}
	return numbers, whole
}

// restExport asks for an export over REST at an address.
func (w *world) restExport(ctx context.Context, address, token, query string) (*http.Response, error) {
	w.t.Helper()
	req := must(http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/v1/audit/export?"+query, nil))(w.t)
	req.Header.Set("Authorization", "Bearer "+token)
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	return client.Do(req)
}

// grpcExport reads an export over gRPC until after says that it is enough. It returns what arrived, the type, the headers and how the stream ended.
func (w *world) grpcExport(ctx context.Context, token string, in *pb.ExportEntriesRequest, each func(got int)) (text []byte, kind string, header metadata.MD, err error) {
	w.t.Helper()
	conn := must(grpc.NewClient(w.at.GRPC, grpc.WithTransportCredentials(insecure.NewCredentials())))(w.t)
	defer func() { _ = conn.Close() }()
	stream, err := pb.NewAuditServiceClient(conn).ExportEntries(metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token), in)
	if err != nil {
		return nil, "", nil, err
	}
	for {
		var piece *httpbody.HttpBody
		if piece, err = stream.Recv(); err != nil {
			break
		}
		text, kind = append(text, piece.Data...), piece.ContentType
		if each != nil {
			each(len(text))
		}
	}
	header, _ = stream.Header()
	return text, kind, header, err
}

// exporting is a clinic with people, and a token of its administrator.
func exporting(t *testing.T) (w *world, token string) {
	t.Helper()
	w = newWorld(t)
	w.clinic(west, dana)
	return w, w.token(west, robin, record.RoleClinicAdmin)
}

// TestExportOverBothTransports: the same bytes, their type and a name for the file; a failure is answered as of any other method.
func TestExportOverBothTransports(t *testing.T) {
	t.Parallel()
	w, token := exporting(t)
	w.longLog(west, 300)
	for format, c := range map[string]struct {
		value pb.ExportFormat
		kind  string
	}{
		"jsonl": {pb.ExportFormat_EXPORT_FORMAT_JSON_LINES, "application/jsonl"}, "csv": {pb.ExportFormat_EXPORT_FORMAT_CSV, "text/csv; charset=utf-8"},
	} {
		name := `attachment; filename="audit-` + west + `.` + format + `"`
		text, kind, header, err := w.grpcExport(w.ctx, token, &pb.ExportEntriesRequest{Format: c.value}, nil)
		if !errors.Is(err, io.EOF) || kind != c.kind || strings.Join(header.Get("content-disposition"), "") != name {
			t.Errorf("%s over gRPC: %v, %q, %v", format, err, kind, header)
		}
		resp := must(w.restExport(w.ctx, w.at.REST, token, fmt.Sprintf("format=%d", c.value)))(t)
		body := must(io.ReadAll(resp.Body))(t)
		_ = resp.Body.Close()
		if !bytes.Equal(body, text) || resp.Header.Get("Content-Type") != c.kind || resp.Header.Get("Content-Disposition") != name || resp.StatusCode != 200 {
			t.Errorf("%s over REST: %d, %v, %d bytes, want the %d that gRPC gives", format, resp.StatusCode, resp.Header, len(body), len(text))
		}
	}
	for query, want := range map[string]string{"format=1&after=99999": "after", "": "format", "format=1&filter.memberId=x": "filter.member_id",
		"format=1&filter.since=2026-03-04T12:00:00Z&filter.until=2026-03-04T12:00:00Z": "filter.until"} {
		resp := must(w.restExport(w.ctx, w.at.REST, token, query))(t)
		body := must(io.ReadAll(resp.Body))(t)
		_ = resp.Body.Close()
		if resp.StatusCode != 400 || resp.Header.Get("Content-Type") != "application/json" || resp.Header.Get("Content-Disposition") != "" ||
			!strings.Contains(string(body), `"field":"`+want+`"`) || strings.Contains(string(body), "UNKNOWN_PARAMETER") {
			t.Errorf("%q over REST: %d %v %s", query, resp.StatusCode, resp.Header, body)
		}
	}
}

// resumed demands that a part has no end, and that part and rest are the whole log, nothing twice.
func (w *world) resumed(t *testing.T, name, token string, part []byte, size int) {
	t.Helper()
	before, whole := numbersIn(t, part)
	if whole || len(before) == 0 || len(before) >= size {
		t.Errorf("%s: a part of %d entries of %d, with its end: %t", name, len(before), size, whole)
		return
	}
	resp := must(w.restExport(w.ctx, w.at.REST, token, fmt.Sprintf("format=1&after=%d", before[len(before)-1])))(t)
	rest := must(io.ReadAll(resp.Body))(t)
	_ = resp.Body.Close()
	after, whole := numbersIn(t, rest)
	all := append(before, after...)
	for i, n := range all {
		if n != int64(i) {
			t.Fatalf("%s: at place %d stands entry %d", name, i, n)
		}
	}
	if !whole || len(all) != size {
		t.Errorf("%s: part and rest have %d entries of %d, with the end: %t", name, len(all), size, whole)
	}
}

// TestExportInterrupted: whoever stops half-way, or whose connection is cut, has a part without an end, and goes on with the rest.
func TestExportInterrupted(t *testing.T) {
	t.Parallel()
	w, token := exporting(t)
	size := w.longLog(west, 6000)
	const enough = 2 << 20

	ctx, cancel := context.WithCancel(w.ctx)
	defer cancel()
	part, _, _, err := w.grpcExport(ctx, token, &pb.ExportEntriesRequest{Format: pb.ExportFormat_EXPORT_FORMAT_JSON_LINES}, func(got int) {
		if got > enough {
			cancel()
		}
	})
	if status.Code(err) != codes.Canceled {
		t.Errorf("a cancelled call ends with %v", err)
	}
	w.resumed(t, "cancelled over gRPC", token, part, size)

	resp := must(w.restExport(w.ctx, w.at.REST, token, "format=1"))(t)
	part = must(io.ReadAll(io.LimitReader(resp.Body, enough)))(t)
	_ = resp.Body.Close()
	w.resumed(t, "closed over REST", token, part, size)

	address := cutting(t, w.at.REST, enough)
	resp = must(w.restExport(w.ctx, address, token, "format=1"))(t)
	part, err = io.ReadAll(resp.Body)
	_ = resp.Body.Close()
	if !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("a connection that is cut ends with %v", err)
	}
	w.resumed(t, "cut over REST", token, part, size)
}

// cutting is an address whose connections lead to another, and are cut after so many bytes back.
func cutting(t *testing.T, to string, after int64) string {
	t.Helper()
	l := must(net.Listen("tcp", "127.0.0.1:0"))(t)
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", to)
			if err != nil {
				_ = near.Close()
				continue
			}
			go func() { _, _ = io.Copy(far, near) }()
			go func() {
				_, _ = io.CopyN(near, far, after)
				_ = errors.Join(near.Close(), far.Close())
			}()
		}
	}()
	return l.Addr().String()
}

// another is the same service behind listeners of its own, with what stops it.
func (w *world) another(t *testing.T) (*world, func(context.Context) error) {
	t.Helper()
	st := must(store.Open(w.ctx, store.Options{URL: w.db.ServiceURL, MaxConns: 4}))(t)
	t.Cleanup(st.Close)
	server := must(serve.New(serve.Options{
		Cases: w.cases, Authenticator: authn.NewAuthenticator(st, w.clock.now), Ready: st.Ready, GRPCAddress: "127.0.0.1:0", RESTAddress: "127.0.0.1:0",
		Logger: slog.New(slog.DiscardHandler), Registry: prometheus.NewRegistry(), Now: time.Now, NewRequestID: uuid.NewString, RateLimits: w.rates,
	}))(t)
	other := *w
	other.at = must(server.Start(w.ctx))(t)
	return &other, server.Stop
}

// TestExportWhileStopping: exports, of which the readers have stopped reading, do not hold up a server that stops; over gRPC it says that another may be asked,
// over REST the answer is broken off. What arrived has no end.
func TestExportWhileStopping(t *testing.T) {
	t.Parallel()
	w, token := exporting(t)
	size := w.longLog(west, 8000)
	other, stop := w.another(t)
	resp := must(w.restExport(w.ctx, other.at.REST, token, "format=1"))(t)
	defer func() { _ = resp.Body.Close() }()
	body := bufio.NewReader(resp.Body)
	must(body.Peek(100))(t)
	reading, stopped := make(chan struct{}), make(chan error, 1)
	var part []byte
	done := make(chan error, 1)
	go func() {
		first := true
		var err error
		part, _, _, err = other.grpcExport(w.ctx, token, &pb.ExportEntriesRequest{Format: pb.ExportFormat_EXPORT_FORMAT_JSON_LINES}, func(int) {
			if first {
				first = false
				close(reading)
				// The reader waits until the server has been told to stop.
				time.Sleep(500 * time.Millisecond)
			}
		})
		done <- err
	}()
	<-reading
	var took time.Duration
	go func() {
		begun := time.Now()
		defer func() { took = time.Since(begun) }()
		ctx, cancel := context.WithTimeout(w.ctx, 20*time.Second)
		defer cancel()
		err := stop(ctx)
		took = time.Since(begun)
		stopped <- err
	}()
	if err := <-done; status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "stopping") {
		t.Errorf("over gRPC a server that stops ends an export with %v", err)
	}
	w.resumed(t, "stopped over gRPC", token, part, size)
	text, err := io.ReadAll(body)
	if !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("over REST a server that stops ends an export with %v", err)
	}
	w.resumed(t, "stopped over REST", token, text, size)
	if err := <-stopped; err != nil || took > 10*time.Second {
		t.Errorf("the stop took %v: %v", took, err)
	}
}
