package serve

import (
	"context"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/testing/protocmp"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// parseStatus demands that an answer is a google.rpc.Status in JSON with an ErrorInfo that names the request.
func parseStatus(t *testing.T, a answer) (*spb.Status, *errdetails.ErrorInfo) {
	t.Helper()
	var st spb.Status
	if err := protojson.Unmarshal([]byte(a.body), &st); err != nil {
		t.Fatalf("answer %d is not a google.rpc.Status: %v: %s", a.status, err, a.body)
	}
	if got := a.header.Get("Content-Type"); got != "application/json" {
		t.Errorf("content type %q", got)
	}
	if got := a.header.Get("Cache-Control"); got != "no-store" {
		t.Errorf("cache control %q", got)
	}
	for _, d := range st.GetDetails() {
		var info errdetails.ErrorInfo
		if d.MessageIs(&info) && d.UnmarshalTo(&info) == nil {
			if id := a.header.Get("X-Request-Id"); id == "" || info.GetMetadata()["request_id"] != id {
				t.Errorf("request id %q in the header, %v in the body", id, info.GetMetadata())
			}
			return &st, &info
		}
	}
	t.Fatalf("no ErrorInfo in %s", a.body)
	return nil, nil
}

// TestSameErrorOverBothTransports: every kind of failure has the same code, text and details over gRPC and REST. The HTTP statuses are
// those of google.rpc.Code's documentation, and RFC 9110 section 15.5.14 for what is too large.
func TestSameErrorOverBothTransports(t *testing.T) {
	httpOf := map[fault.Kind]int{
		fault.Internal: 500, fault.Invalid: 400, fault.NotFound: 404, fault.Conflict: 409, fault.Precondition: 400,
		fault.Unauthenticated: 401, fault.Denied: 403, fault.Unavailable: 503, fault.Overloaded: 429, fault.TooLarge: 413,
		fault.Deadline: 504, fault.Canceled: 499, fault.Unimplemented: 501,
	}
	var fail error
	r := start(t, &cases{getClient: func(context.Context, authn.Principal, string) (record.Stored[record.Client], error) {
		return record.Stored[record.Client]{}, fail
	}}, nil)
	client := pb.NewClientServiceClient(r.conn)
	for _, k := range fault.Kinds() {
		fail = &fault.Error{Kind: k, Reason: "SOME_REASON", Text: "what to do", Cause: errors.New("private"), RetryAfter: 1500 * time.Millisecond,
			Violations: []fault.Violation{{Field: "client.sex", Rule: "record.differs", Text: "differs"}}}
		ctx := metadata.AppendToOutgoingContext(withToken(t.Context()), "x-request-id", "req-1")
		_, err := client.GetClient(ctx, &pb.GetClientRequest{Id: clientID})
		a := r.rest(t, "GET", "/v1/clients/"+clientID, "", "X-Request-Id", "req-1")
		overREST, _ := parseStatus(t, a)
		if d := cmp.Diff(status.Convert(err).Proto(), overREST, protocmp.Transform()); d != "" {
			t.Errorf("kind %d differs (-gRPC +REST):\n%s", k, d)
		}
		if a.status != httpOf[k] {
			t.Errorf("kind %d: HTTP status %d, want %d", k, a.status, httpOf[k])
		}
		want := ""
		if k == fault.Unavailable || k == fault.Overloaded {
			want = "2"
		}
		if got := a.header.Get("Retry-After"); got != want {
			t.Errorf("kind %d: Retry-After %q, want %q", k, got, want)
		}
		if challenge := a.header.Get("WWW-Authenticate"); (challenge != "") != (k == fault.Unauthenticated) {
			t.Errorf("kind %d: WWW-Authenticate %q", k, challenge)
		}
		if strings.Contains(a.body, "private") {
			t.Errorf("kind %d: the cause left the service: %s", k, a.body)
		}
	}
}

func stored(v record.Client) record.Stored[record.Client] {
	return record.Stored[record.Client]{Value: v, Revision: record.Revision{Number: 1}}
}

const goodClient = `{"givenName":"A","familyName":"B","birthDate":"1980-01-31"}`

func TestRESTIsStrict(t *testing.T) {
	called := false
	r := start(t, &cases{
		putClient: func(_ context.Context, _ authn.Principal, v record.Client, _ int) (record.Stored[record.Client], error) {
			called = true
			return stored(v), nil
		},
		listClients: func(context.Context, authn.Principal, record.Page) (record.List[record.Client], error) {
			called = true
			return record.List[record.Client]{}, nil
		},
	}, nil)
	put, list := "/v1/clients/"+clientID, "/v1/clients"
	for _, tt := range []struct {
		name, method, path, body string
		headers                  []string
		status                   int
		reason, text             string
	}{
		{"good", "PUT", put, goodClient, nil, 200, "", ""},
		{"good with a query", "PUT", put + "?expectedRevision=2", goodClient, nil, 200, "", ""},
		{"charset", "PUT", put, goodClient, []string{"Content-Type", "application/json; charset=utf-8"}, 200, "", ""},
		{"id in path and body", "PUT", put, goodClient[:1] + `"id":"` + strings.ToUpper(clientID) + `",` + goodClient[1:], nil, 200, "", ""},
		{"other id in the body", "PUT", put, goodClient[:1] + `"id":"` + clinicID + `",` + goodClient[1:], nil, 400, "PATH_CONTRADICTED", "different"},
		{"other session in the body", "POST", "/v1/sessions/" + clientID + ":rescore", `{"sessionId":"` + clinicID + `"}`, nil, 400, "PATH_CONTRADICTED", ""},
		{"same session in the body", "POST", "/v1/sessions/" + clientID + ":rescore", `{"sessionId":"` + clientID + `"}`, nil, 403, "ROLE_NEEDED", ""},
		{"other trial in the body", "POST", "/v1/sessions/" + clientID + "/series/1/trials/2:correct", `{"seriesNumber":1,"trial":{"number":3}}`, nil,
			400, "PATH_CONTRADICTED", ""},
		{"same trial in the body", "POST", "/v1/sessions/" + clientID + "/series/1/trials/2:correct", `{"seriesNumber":1,"trial":{"number":2}}`, nil,
			403, "ROLE_NEEDED", ""},
		{"page", "GET", list + "?page.size=2&page.cursor=x", "", nil, 200, "", ""},
		{"no such route", "GET", "/v1/nothing", "", nil, 404, "NO_SUCH_ROUTE", "no such route"},
		{"method not allowed", "DELETE", put, "", nil, 405, "METHOD_NOT_ALLOWED", "Allow"},
		{"method override", "POST", put, "x=1", []string{"X-HTTP-Method-Override", "GET", "Content-Type", "application/x-www-form-urlencoded"}, 405, "METHOD_NOT_ALLOWED", ""},
		{"fixed path", "POST", "/healthz", "{}", nil, 405, "METHOD_NOT_ALLOWED", ""},
		{"content type", "PUT", put, goodClient, []string{"Content-Type", "text/plain"}, 415, "CONTENT_TYPE", "application/json"},
		{"other charset", "PUT", put, goodClient, []string{"Content-Type", "application/json; charset=latin1"}, 415, "CONTENT_TYPE", ""},
		{"unknown field", "PUT", put, `{"givenName":"A","shoeSize":9}`, nil, 400, "MALFORMED_BODY", `unknown field "shoeSize"`},
		{"duplicate field", "PUT", put, `{"givenName":"A","givenName":"B"}`, nil, 400, "MALFORMED_BODY", "duplicate field"},
		{"wrong type", "PUT", put, `{"givenName":7}`, nil, 400, "MALFORMED_BODY", "line 1:14"},
		{"truncated", "PUT", put, `{"givenName":"A`, nil, 400, "MALFORMED_BODY", "ends at line 1, column 15"},
		{"not JSON", "PUT", put, "{\n  givenName", nil, 400, "MALFORMED_BODY", "not JSON at line 2, column 3"},
		{"two values", "PUT", put, goodClient + goodClient, nil, 400, "MALFORMED_BODY", "not JSON"},
		{"empty body", "PUT", put, "", []string{"Content-Type", "application/json"}, 400, "MALFORMED_BODY", "there is none"},
		{"unknown parameter", "GET", list + "?pageSize=3", "", nil, 400, "UNKNOWN_PARAMETER", ""},
		{"parameter of a message", "GET", list + "?page=3", "", nil, 400, "UNKNOWN_PARAMETER", ""},
		{"parameter that the path has", "PUT", put + "?client.id=" + clinicID, goodClient, nil, 400, "UNKNOWN_PARAMETER", ""},
		{"parameter that is no number", "GET", list + "?page.size=many", "", nil, 400, "INVALID_REQUEST", ""},
		{"broken query", "GET", list + "?page.size=%zz", "", nil, 400, "MALFORMED_QUERY", ""},
		{"body where none is taken", "GET", list, "{}", nil, 400, "BODY_NOT_TAKEN", ""},
		{"declared rule", "PUT", put, `{"givenName":"","familyName":"B","birthDate":"1980-01-31"}`, nil, 400, "INVALID_REQUEST", ""},
		{"bad timeout", "GET", list, "", []string{"Grpc-Timeout", "soon"}, 400, "INVALID_REQUEST", ""},
		{"headers too large", "GET", list, "", []string{"X-Ponderal-App", strings.Repeat("a", 33<<10)}, 431, "HEADERS_TOO_LARGE", ""},
		{"no token", "GET", list, "", []string{"Authorization", ""}, 401, "MALFORMED_CREDENTIAL", ""},
		{"bad token", "GET", list, "", []string{"Authorization", "Bearer bad"}, 401, "TOKEN_INVALID", ""},
		{"missing role", "PUT", "/v1/clinics/" + clinicID, `{"name":"x","displayUnit":"UNIT_LB"}`, nil, 403, "ROLE_NEEDED", ""},
	} {
		called = false
		a := r.rest(t, tt.method, tt.path, tt.body, tt.headers...)
		if a.status != tt.status {
			t.Errorf("%s: status %d, want %d: %s", tt.name, a.status, tt.status, a.body)
			continue
		}
		if called != (tt.status == 200) {
			t.Errorf("%s: use case called: %v", tt.name, called)
		}
		if tt.status == 200 {
			continue
		}
		st, info := parseStatus(t, a)
		if info.GetReason() != tt.reason || !strings.Contains(st.GetMessage(), tt.text) {
			t.Errorf("%s: reason %s, text %q, want %s and %q", tt.name, info.GetReason(), st.GetMessage(), tt.reason, tt.text)
		}
	}
	if got := r.rest(t, "DELETE", put, "").header.Get("Allow"); got != "GET, PUT" {
		t.Errorf("Allow: %q", got)
	}
}

func TestBodyLimits(t *testing.T) {
	r := start(t, &cases{putClient: func(_ context.Context, _ authn.Principal, v record.Client, _ int) (record.Stored[record.Client], error) {
		return stored(v), nil
	}}, func(o *Options) { o.Limits.MaxMessage = 1000 })
	pad := func(n int) string { return goodClient + strings.Repeat(" ", n-len(goodClient)) }
	if a := r.rest(t, "PUT", "/v1/clients/"+clientID, pad(1000)); a.status != 200 {
		t.Errorf("a body of just the limit: %d %s", a.status, a.body)
	}
	a := r.rest(t, "PUT", "/v1/clients/"+clientID, pad(1001))
	if _, info := parseStatus(t, a); a.status != http.StatusRequestEntityTooLarge || info.GetReason() != "TOO_LARGE" {
		t.Errorf("one byte more: %d %s", a.status, a.body)
	}
	// Without a Content-Length the limit is found while reading.
	req, err := http.NewRequestWithContext(t.Context(), "PUT", "http://"+r.REST+"/v1/clients/"+clientID, struct{ *strings.Reader }{strings.NewReader(pad(1001))})
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	a = r.send(t, req)
	if _, info := parseStatus(t, a); a.status != http.StatusRequestEntityTooLarge || info.GetReason() != "TOO_LARGE" {
		t.Errorf("chunked: %d %s", a.status, a.body)
	}
	client := pb.NewClientServiceClient(r.conn)
	_, err = client.PutClient(withToken(t.Context()), &pb.PutClientRequest{Client: &pb.Client{GivenName: strings.Repeat("a", 1001)}})
	if st := status.Convert(err); st.Code().String() != "ResourceExhausted" || !strings.Contains(st.Message(), "larger than max") {
		t.Errorf("over gRPC: %v", st)
	}
	if !strings.Contains(r.log.String(), `"code":"ResourceExhausted"`) {
		t.Error("the message that was too large is not in the access log")
	}
}

func TestRequestIDAndApp(t *testing.T) {
	var seen authn.Principal
	r := start(t, &cases{getClient: func(_ context.Context, p authn.Principal, _ string) (record.Stored[record.Client], error) {
		seen = p
		return stored(record.Client{ID: clientID}), nil
	}}, nil)
	for _, tt := range []struct{ sent, want string }{{"mine-7", "mine-7"}, {"not plain", ""}, {"", ""}} {
		a := r.rest(t, "GET", "/v1/clients/"+clientID, "", "X-Request-Id", tt.sent, "User-Agent", "station/3")
		got := a.header.Get("X-Request-Id")
		if got != seen.RequestID || tt.want != "" && got != tt.want || tt.want == "" && !strings.HasPrefix(got, "made-") {
			t.Errorf("sent %q: header %q, principal %q", tt.sent, got, seen.RequestID)
		}
		if seen.App != "station/3" || seen.Role != record.RoleEvaluator || seen.ClinicID != clinicID || seen.TokenID != "token-1" {
			t.Errorf("principal %+v", seen)
		}
	}
	r.rest(t, "GET", "/v1/clients/"+clientID, "", "X-Ponderal-App", "tablet", "User-Agent", "go", "Grpc-Metadata-X-Ponderal-App", "spoofed", "X-Other", "x")
	if seen.App != "tablet" {
		t.Errorf("app %q", seen.App)
	}
	ctx := metadata.AppendToOutgoingContext(withToken(t.Context()), "x-ponderal-app", "load", "x-request-id", "grpc-1")
	if _, err := pb.NewClientServiceClient(r.conn).GetClient(ctx, &pb.GetClientRequest{Id: strings.ToUpper(clientID)}); err != nil {
		t.Fatal(err)
	}
	if seen.App != "load" || seen.RequestID != "grpc-1" {
		t.Errorf("over gRPC: %+v", seen)
	}
}

// TestLogHoldsNobodysData sends a marker wherever a caller can put one, over both transports, and looks for it in the log.
func TestLogHoldsNobodysData(t *testing.T) {
	mode := ""
	answerMode := func(v record.Client) (record.Stored[record.Client], error) {
		switch mode {
		case "fault":
			return record.Stored[record.Client]{}, fault.New(fault.Precondition, "X", "about "+marker)
		case "panic":
			panic("about " + marker)
		}
		return stored(v), nil
	}
	r := start(t, &cases{
		putClient: func(_ context.Context, _ authn.Principal, v record.Client, _ int) (record.Stored[record.Client], error) {
			return answerMode(v)
		},
		getClient: func(context.Context, authn.Principal, string) (record.Stored[record.Client], error) {
			return answerMode(record.Client{ID: clientID, FamilyName: marker})
		},
	}, nil)
	client := pb.NewClientServiceClient(r.conn)
	body := strings.Replace(goodClient, `"B"`, `"`+marker+`"`, 1)
	for _, mode = range []string{"", "fault", "panic"} {
		ctx := metadata.AppendToOutgoingContext(withToken(t.Context()), "x-marker", marker)
		_, err := client.PutClient(ctx, &pb.PutClientRequest{Client: &pb.Client{Id: clientID, GivenName: "A", FamilyName: marker, BirthDate: "1980-01-31"}})
		if (err == nil) != (mode == "") {
			t.Errorf("mode %q over gRPC: %v", mode, err)
		}
		a := r.rest(t, "PUT", "/v1/clients/"+clientID, body)
		if (a.status == 200) != (mode == "") {
			t.Errorf("mode %q over REST: %d %s", mode, a.status, a.body)
		}
		r.rest(t, "GET", "/v1/clients/"+clientID+"?x="+marker, "")
		r.rest(t, "GET", "/v1/clients/"+marker, "")
		r.rest(t, "GET", "/"+marker, "")
		r.rest(t, "PUT", "/v1/clients/"+clientID, `{"`+marker)
		r.rest(t, "PUT", "/v1/clients/"+clientID, `{"`+marker+`":1}`)
		r.rest(t, "GET", "/v1/clients/"+clientID, "", "Authorization", "Bearer "+marker, "X-Request-Id", marker+" with space")
		if _, err := client.GetClient(ctx, &pb.GetClientRequest{Id: marker}); err == nil {
			t.Error("a bad id is taken")
		}
		if err := r.conn.Invoke(ctx, "/"+marker+"/"+marker, &pb.GetClientRequest{}, &pb.GetClientResponse{}); err == nil {
			t.Error("an unknown method is taken")
		}
	}
	log := r.log.String()
	if strings.Contains(log, marker) {
		at := strings.Index(log, marker)
		t.Errorf("the log holds the marker: ...%s...", log[max(0, at-300):min(len(log), at+100)])
	}
	if strings.Count(log, "good") > 0 {
		t.Error("the log holds the token")
	}
	for _, want := range []string{`"clinic_id":"` + clinicID, `"token_id":"token-1"`, `"code":"Internal"`, `"REST request refused"`, "answers_test.go"} {
		if !strings.Contains(log, want) {
			t.Errorf("the log lacks %s", want)
		}
	}
}

func TestFixedPaths(t *testing.T) {
	var away atomic.Bool
	r := start(t, &cases{}, func(o *Options) {
		o.Ready = func(context.Context) error {
			if away.Load() {
				return errors.New("schema 4, want 5")
			}
			return nil
		}
	})
	for path, want := range map[string]string{
		"/openapi.json": `"openapi"`, "/.well-known/jwks.json": `{"keys":[]}`, "/healthz": "live", "/readyz": "ready",
		"/metrics": "ponderal_requests_in_flight", "/v1/keys": "jwks",
	} {
		a := r.rest(t, "GET", path, "", "Authorization", "none")
		if a.status != 200 || !strings.Contains(a.body, want) {
			t.Errorf("%s: %d %.100s", path, a.status, a.body)
		}
	}
	away.Store(true)
	a := r.rest(t, "GET", "/readyz", "")
	_, info := parseStatus(t, a)
	if after, err := strconv.Atoi(a.header.Get("Retry-After")); a.status != 503 || info.GetReason() != "NOT_READY" || err != nil || after < 1 {
		t.Errorf("not ready: %d %s", a.status, a.body)
	}
	if strings.Contains(a.body, "schema") {
		t.Errorf("readiness tells why: %s", a.body)
	}
	if a := r.rest(t, "GET", "/healthz", ""); a.status != 200 {
		t.Errorf("live but not ready: %d", a.status)
	}
}
