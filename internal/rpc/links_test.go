package rpc

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

func TestLinksStandInOrder(t *testing.T) {
	want := []string{"request id", "metrics and access log", "faults", "recover", "drain", "deadline", "admission", "address limit", "authentication", "principal limit", "access", "decoding", "clinic", "validation"}
	var got []string
	for _, l := range links(Options{}, nil, &observer{}, &validation{}, &admission{}, &limiter{}, context.Background()).links {
		got = append(got, l.name)
		if l.why == "" {
			t.Errorf("%s stands where it does without a reason", l.name)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("links %v, want %v", got, want)
	}
}

func ruleFor(t *testing.T, method string) *Rule {
	t.Helper()
	rules, err := NewRules(contract(t)...)
	if err != nil {
		t.Fatal(err)
	}
	rule := rules["/ponderal.v1."+method]
	if rule == nil {
		t.Fatalf("no rule for %s", method)
	}
	return rule
}

func TestAccess(t *testing.T) {
	const mine, theirs = someID, otherID
	evaluator := authn.Principal{ClinicID: mine, Roles: []record.Role{record.RoleEvaluator}}
	admin := authn.Principal{ClinicID: mine, Roles: []record.Role{record.RoleClinicAdmin}}
	payer := authn.Principal{PayerID: theirs, Roles: []record.Role{record.RolePayer}}
	netAdmin := authn.Principal{Network: true, Roles: []record.Role{record.RoleNetworkAdmin}}
	auditor := authn.Principal{Network: true, Roles: []record.Role{record.RoleNetworkAuditor}}
	lost := authn.Principal{Roles: []record.Role{record.RoleEvaluator, record.RoleClinicAdmin}}
	for _, tt := range []struct {
		name, method string
		who          authn.Principal
		req          proto.Message
		role         record.Role
		clinic       string
		refused      string // reason; empty when let pass
	}{
		{"clinic role", "ClientService/GetClient", evaluator, nil, record.RoleEvaluator, mine, ""},
		{"missing role", "KitService/PutKit", evaluator, nil, "", "", "ROLE_NEEDED"},
		{"no clinic", "ClientService/GetClient", lost, nil, "", "", "CLINIC_NEEDED"},
		{"network role where it has no place", "ClientService/GetClient", netAdmin, nil, "", "", "ROLE_NEEDED"},
		{"network credential with a clinic's role", "ClientService/GetClient",
			authn.Principal{Network: true, ClinicID: mine, Roles: []record.Role{record.RoleEvaluator}}, nil, "", "", "CLINIC_NEEDED"},
		{"payer reads a result", "ResultService/GetResult", payer, nil, record.RolePayer, "", ""},
		{"payer's role without a payer", "ResultService/GetResult", authn.Principal{Roles: []record.Role{record.RolePayer}}, nil, "", "", "PAYER_NEEDED"},
		{"payer's feed", "FeedService/ListFeed", payer, nil, record.RolePayer, "", ""},
		{"feed without a payer", "FeedService/ListFeed", authn.Principal{ClinicID: mine, Roles: []record.Role{record.RolePayer}}, nil, "", "", "PAYER_NEEDED"},
		{"own clinic unnamed", "MemberService/GetMember", admin, &pb.GetMemberRequest{}, record.RoleClinicAdmin, mine, ""},
		{"own clinic named", "MemberService/GetMember", admin, &pb.GetMemberRequest{ClinicId: mine}, record.RoleClinicAdmin, mine, ""},
		{"own clinic in capitals", "MemberService/GetMember", admin, &pb.GetMemberRequest{ClinicId: strings.ToUpper(mine)}, record.RoleClinicAdmin, mine, ""},
		{"other clinic", "MemberService/GetMember", admin, &pb.GetMemberRequest{ClinicId: theirs}, "", "", "OTHER_CLINIC"},
		{"no clinic at all", "MemberService/GetMember", lost, &pb.GetMemberRequest{ClinicId: mine}, "", "", "CLINIC_NEEDED"},
		{"network names a clinic", "AuditService/ListEntries", auditor, &pb.ListEntriesRequest{ClinicId: theirs}, record.RoleNetworkAuditor, theirs, ""},
		{"network names none", "AuditService/ListEntries", auditor, &pb.ListEntriesRequest{}, "", "", "INVALID_REQUEST"},
		{"payer follows a log", "LogService/GetLogTile", payer, &pb.GetLogTileRequest{ClinicId: strings.ToUpper(theirs)}, record.RolePayer, theirs, ""},
		{"payer names no log", "LogService/GetLogTile", payer, &pb.GetLogTileRequest{}, "", "", "INVALID_REQUEST"},
		{"payer's role without a payer, a log", "LogService/GetLogTile", authn.Principal{Roles: []record.Role{record.RolePayer}},
			&pb.GetLogTileRequest{ClinicId: theirs}, "", "", "CLINIC_NEEDED"},
		{"clinic follows its log", "LogService/GetLogCheckpoint", admin, &pb.GetLogCheckpointRequest{ClinicId: mine}, record.RoleClinicAdmin, mine, ""},
		{"clinic follows another's log", "LogService/GetLogCheckpoint", admin, &pb.GetLogCheckpointRequest{ClinicId: theirs}, "", "", "OTHER_CLINIC"},
		{"auditor follows a log", "LogService/GetLogCheckpoint", auditor, &pb.GetLogCheckpointRequest{ClinicId: theirs}, record.RoleNetworkAuditor, theirs, ""},
		{"evaluator follows none", "LogService/GetLogCheckpoint", evaluator, &pb.GetLogCheckpointRequest{ClinicId: mine}, "", "", "ROLE_NEEDED"},
		{"network's own tokens", "TokenService/ListTokens", auditor, &pb.ListTokensRequest{}, record.RoleNetworkAuditor, "", ""},
		{"network makes its own token", "TokenService/CreateToken", netAdmin, &pb.CreateTokenRequest{}, record.RoleNetworkAdmin, "", ""},
		{"network revokes its own token", "TokenService/RevokeToken", netAdmin, &pb.RevokeTokenRequest{}, record.RoleNetworkAdmin, "", ""},
		{"auditor makes no tokens", "TokenService/CreateToken", auditor, &pb.CreateTokenRequest{}, "", "", "ROLE_NEEDED"},
		{"network method by role", "ClinicService/ListPayers", evaluator, nil, record.RoleEvaluator, mine, ""},
		{"network method without the role", "ClinicService/PutClinic", admin, nil, "", "", "ROLE_NEEDED"},
		{"first role of the rule counts", "ClientService/GetClient",
			authn.Principal{ClinicID: mine, Roles: []record.Role{record.RoleStation, record.RoleReviewer}}, nil, record.RoleReviewer, mine, ""},
	} {
		c := &call{rule: ruleFor(t, tt.method), principal: tt.who}
		err := checkRole(context.Background(), c, func(context.Context) error {
			return resolveClinic(c, tt.req)
		})
		reason := ""
		if err != nil {
			reason = faultOf(err).Reason
		}
		if reason != tt.refused {
			t.Errorf("%s: refused with %q (%v), want %q", tt.name, reason, err, tt.refused)
		} else if err == nil && (c.principal.Role != tt.role || c.principal.ClinicID != tt.clinic) {
			t.Errorf("%s: role %q clinic %q, want %q and %q", tt.name, c.principal.Role, c.principal.ClinicID, tt.role, tt.clinic)
		}
	}
}

type authenticate func(context.Context, string) (authn.Principal, error)

func (f authenticate) Authenticate(ctx context.Context, bearer string) (authn.Principal, error) {
	return f(ctx, bearer)
}

// TestRoleNeededSaysWhich: who lacks the role is told whose method it is.
func TestRoleNeededSaysWhich(t *testing.T) {
	c := &call{rule: ruleFor(t, "IdentityService/PutIdentity"), principal: authn.Principal{Roles: []record.Role{record.RoleEvaluator}}}
	err := checkRole(t.Context(), c, func(context.Context) error { return nil })
	if f := faultOf(err); f.Reason != "ROLE_NEEDED" || !strings.HasSuffix(f.Text, "; it is for: clinic admin, network admin") {
		t.Errorf("%v", err)
	}
	c.principal.Roles = append(c.principal.Roles, record.RoleClinicAdmin)
	if err := checkRole(t.Context(), c, func(context.Context) error { return nil }); err != nil || c.principal.Role != record.RoleClinicAdmin {
		t.Errorf("with the role: %v as %s", err, c.principal.Role)
	}
}

func TestAuthentication(t *testing.T) {
	known := authenticate(func(_ context.Context, bearer string) (authn.Principal, error) {
		if bearer != "good" {
			return authn.Principal{}, fault.New(fault.Unauthenticated, "TOKEN_INVALID", "no such token")
		}
		return authn.Principal{TokenID: "t1"}, nil
	})
	for _, tt := range []struct {
		name, method string
		sent         []string
		want         string
	}{
		{"good", "ClientService/GetClient", []string{"Bearer good"}, ""},
		{"any case of the scheme", "ClientService/GetClient", []string{"bearer good"}, ""},
		{"bad", "ClientService/GetClient", []string{"Bearer bad"}, "TOKEN_INVALID"},
		{"none", "ClientService/GetClient", nil, "NO_CREDENTIAL"},
		{"two", "ClientService/GetClient", []string{"Bearer good", "Bearer good"}, "MALFORMED_CREDENTIAL"},
		{"other scheme", "ClientService/GetClient", []string{"Basic good"}, "MALFORMED_CREDENTIAL"},
		{"no token", "ClientService/GetClient", []string{"Bearer "}, "MALFORMED_CREDENTIAL"},
		{"no scheme", "ClientService/GetClient", []string{"good"}, "MALFORMED_CREDENTIAL"},
		{"public without", "KeyService/GetKeys", nil, ""},
	} {
		ctx := metadata.NewIncomingContext(context.Background(), metadata.MD{metaAuth: tt.sent})
		c := &call{rule: ruleFor(t, tt.method), app: "app", requestID: "r"}
		err := authenticator{known, nil}.around(ctx, c, func(context.Context) error { return nil })
		reason := ""
		if err != nil {
			reason = faultOf(err).Reason
		}
		if reason != tt.want {
			t.Errorf("%s: refused with %q, want %q", tt.name, reason, tt.want)
		}
		if err == nil && (c.principal.App != "app" || c.principal.RequestID != "r") {
			t.Errorf("%s: the principal does not name app and request: %+v", tt.name, c.principal)
		}
	}
	err := authenticator{known, nil}.around(context.Background(), &call{}, func(context.Context) error { return nil })
	if faultOf(err).Kind != fault.Unimplemented {
		t.Errorf("a method without a rule was let pass: %v", err)
	}
}

func TestDeadlines(t *testing.T) {
	l := limits{fallback: time.Minute, most: time.Hour}
	left := func(ctx context.Context, rule *Rule) time.Duration {
		var got time.Duration
		err := l.around(ctx, &call{rule: rule}, func(ctx context.Context) error {
			if d, ok := ctx.Deadline(); ok {
				got = time.Until(d).Round(time.Minute)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	within := func(d time.Duration) context.Context {
		ctx, cancel := context.WithTimeout(context.Background(), d)
		t.Cleanup(cancel)
		return ctx
	}
	if got := left(context.Background(), &Rule{}); got != time.Minute {
		t.Errorf("no deadline given: %v left, want 1m", got)
	}
	if got := left(within(30*time.Minute), &Rule{}); got != 30*time.Minute {
		t.Errorf("30m given: %v left", got)
	}
	if got := left(within(5*time.Hour), &Rule{}); got != time.Hour {
		t.Errorf("5h given: %v left, want the most, 1h", got)
	}
	if got := left(context.Background(), &Rule{Open: true}); got != 0 {
		t.Errorf("watching health: %v left, want no deadline", got)
	}
}

func testObserver(t *testing.T, log *bytes.Buffer) *observer {
	t.Helper()
	obs, err := newObserver(Options{
		Logger: slog.New(slog.NewJSONHandler(log, nil)), Now: time.Now, Registry: prometheus.NewRegistry(),
	})
	if err != nil {
		t.Fatal(err)
	}
	return obs
}

func valueOf(t *testing.T, m prometheus.Metric) float64 {
	t.Helper()
	var got dto.Metric
	if err := m.Write(&got); err != nil {
		t.Fatal(err)
	}
	return got.GetCounter().GetValue() + got.GetGauge().GetValue()
}

func TestPanicBecomesInternal(t *testing.T) {
	var log bytes.Buffer
	obs := testObserver(t, &log)
	c := &call{method: "/m", rule: &Rule{}, requestID: "req-9", principal: authn.Principal{ClinicID: "c1", TokenID: "t1", Role: "reviewer"}}
	chain := chain{links: []link{{around: obs.around}, {around: obs.translate}, {around: obs.recoverPanic}}}
	err := chain.run(context.Background(), c, nil, func(context.Context) error { panic("marker-of-a-person") })
	if status.Code(err) != codes.Internal || strings.Contains(err.Error(), "marker") {
		t.Errorf("the caller gets %v", err)
	}
	if got := valueOf(t, obs.panics); got != 1 {
		t.Errorf("%v panics counted", got)
	}
	if got := valueOf(t, obs.requests.WithLabelValues("/m", "Internal")); got != 1 {
		t.Errorf("%v calls counted as Internal", got)
	}
	if got := valueOf(t, obs.inFlight); got != 0 {
		t.Errorf("%v calls in flight after the end", got)
	}
	text := log.String()
	if strings.Contains(text, "marker") || !strings.Contains(text, "links_test.go") {
		t.Errorf("the log must hold the stack and not the value of the panic:\n%s", text)
	}
	for _, want := range []string{`"request_id":"req-9"`, `"clinic_id":"c1"`, `"token_id":"t1"`, `"role":"reviewer"`, `"code":"Internal"`, `"method":"/m"`} {
		if !strings.Contains(text, want) {
			t.Errorf("the access log lacks %s:\n%s", want, text)
		}
	}
}

func TestCausesAreLoggedOnce(t *testing.T) {
	var log bytes.Buffer
	obs := testObserver(t, &log)
	chain := chain{links: []link{{around: obs.around}, {around: obs.translate}}}
	run := func(err error) error {
		return chain.run(context.Background(), &call{rule: &Rule{}}, nil, func(context.Context) error { return err })
	}
	err := run(errors.New("the disk is gone"))
	if strings.Contains(err.Error(), "disk") || strings.Count(log.String(), "the disk is gone") != 1 {
		t.Errorf("caller: %v; log: %s", err, log.String())
	}
	log.Reset()
	if err := run(fault.Wrap(fault.NotFound, "NO", "there is none", errors.New("row 17"))); status.Code(err) != codes.NotFound || strings.Contains(log.String(), "row 17") {
		t.Errorf("caller: %v; log: %s", err, log.String())
	}
}

func TestUnknownMethodsMakeNoLabels(t *testing.T) {
	var log bytes.Buffer
	obs := testObserver(t, &log)
	err := obs.around(context.Background(), &call{method: "/marker/x"}, func(context.Context) error {
		return status.Error(codes.Unimplemented, "")
	})
	if err == nil || strings.Contains(log.String(), "marker") {
		t.Errorf("log: %s", log.String())
	}
	if got := valueOf(t, obs.requests.WithLabelValues(unknownMethod, "Unimplemented")); got != 1 {
		t.Errorf("%v calls counted", got)
	}
}

func TestRequestIDsAndAppNames(t *testing.T) {
	for id, want := range map[string]bool{
		"": false, "a": true, "A-9_b.c": true, "a b": false, "a\nb": false, "é": false, strings.Repeat("x", 64): true, strings.Repeat("x", 65): false,
	} {
		if got := PlainRequestID(id); got != want {
			t.Errorf("PlainRequestID(%q) = %v", id, got)
		}
	}
	for name, want := range map[string]string{
		"": "", "station/1.2": "station/1.2", " a\nb ": "ab", "né": "n", strings.Repeat("y", 101): strings.Repeat("y", 100),
	} {
		if got := SanitiseApp(name); got != want {
			t.Errorf("SanitiseApp(%q) = %q, want %q", name, got, want)
		}
	}
}
