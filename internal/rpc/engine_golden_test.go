package rpc_test

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"net"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/canon"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/engine/golden"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/gateway"
	"ponderal.example/internal/record"
	"ponderal.example/internal/rpc"
)

// noCases has no use case: whatever reaches for one fails the test by a nil dereference, which the service answers as Internal.
type noCases struct{ rpc.Cases }

// byRole lets a token be the name of its role.
type byRole struct{}

func (byRole) Authenticate(_ context.Context, bearer string) (authn.Principal, error) {
	role := record.Role(bearer)
	p := authn.Principal{TokenID: "t", Roles: []record.Role{role}}
	switch role {
	case record.RolePayer:
		p.PayerID = "0190a8c4-0000-7000-8000-000000000001"
	case record.RoleNetworkAdmin, record.RoleNetworkAuditor:
		p.Network = true
	case record.RoleEvaluator, record.RoleReviewer, record.RoleClinicAdmin, record.RoleStation:
		p.ClinicID = "0190a8c4-0000-7000-8000-000000000001"
	default:
		return authn.Principal{}, fault.New(fault.Unauthenticated, "TOKEN_INVALID", "no such token")
	}
	return p, nil
}

// plenty grants whatever is asked for.
type plenty struct{}

func (plenty) TakeTokens(_ context.Context, _ [32]byte, want, capacity, _ int, _ time.Duration) (granted, left int, wait time.Duration, err error) {
	return want, capacity - want, 0, nil
}

// serve serves without a store over both transports; what is logged goes to log.
func serve(t *testing.T, log io.Writer) *caller.Service {
	t.Helper()
	logger, registry := slog.New(slog.NewJSONHandler(log, nil)), prometheus.NewRegistry()
	server, err := rpc.New(rpc.Options{
		Cases: noCases{}, Authenticator: byRole{}, Logger: logger, Registry: registry, Now: time.Now, NewRequestID: func() string { return "r1" },
		RateLimits: rpc.RateLimits{PerMinute: 1e6, AddressPerMinute: 1e6, Shared: plenty{}},
	})
	if err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	pipe := gateway.NewPipe()
	rest, err := gateway.New(gateway.Options{
		Dial: pipe.Dial, Logger: logger, Registry: registry, NewRequestID: func() string { return "r2" }, Keys: func() []byte { return nil },
		Ready: func(context.Context) error { return nil },
	})
	if err != nil {
		t.Fatal(err)
	}
	front := httptest.NewServer(rest)
	ended := make(chan error, 2)
	go func() { ended <- server.Serve(listener) }()
	go func() { ended <- server.Serve(pipe) }()
	service, err := caller.Dial(listener.Addr().String(), front.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		front.Close()
		for _, err := range []error{service.Close(), rest.Close()} {
			if err != nil {
				t.Error(err)
			}
		}
		server.Stop()
		<-ended
		<-ended
	})
	return service
}

// TestGoldenCases: every golden case, of the newest rules and of the rules before, as a document, has its finding over both transports, byte
// by byte once it is read back.
func TestGoldenCases(t *testing.T) {
	cases, err := golden.Load("../../testdata/golden")
	if err != nil {
		t.Fatal(err)
	}
	before, err := golden.Load("../../testdata/golden-rules-1")
	if err != nil {
		t.Fatal(err)
	}
	cases = append(cases, before...)
	service := serve(t, io.Discard)
	desk, err := rpc.NewDesk()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range cases {
		req := document(t, c.Input)
		want, err := canon.Marshal(c.Finding)
		if err != nil {
			t.Fatal(err)
		}
		for _, way := range []caller.Way{caller.GRPC, caller.REST} {
			got, err := caller.Do[pb.ScoreSessionResponse](t.Context(), service.As("payer", way), "EngineService/ScoreSession", req)
			if err != nil {
				t.Errorf("%s over %s: %v", c.Name, way, err)
				continue
			}
			if text := fromFinding(t, got.GetFinding()); !bytes.Equal(text, want) {
				t.Errorf("%s over %s:\n%s\nwant\n%s", c.Name, way, text, want)
			}
			if len(got.GetCautions()) == 0 {
				t.Errorf("%s over %s: no caution", c.Name, way)
			}
		}
		text, err := protojson.Marshal(req)
		if err != nil {
			t.Fatal(err)
		}
		scored, line, err := desk.ScoreSession(text)
		if err != nil {
			t.Errorf("%s at a desk: %v", c.Name, err)
			continue
		}
		if got, err := canon.Marshal(scored.Finding); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s at a desk:\n%s\nwant\n%s (%v)", c.Name, got, want, err)
		}
		answer := &pb.ScoreSessionResponse{}
		if err := protojson.Unmarshal(line, answer); err != nil || !bytes.Equal(fromFinding(t, answer.GetFinding()), want) || bytes.ContainsAny(line, "\n") {
			t.Errorf("%s at a desk: JSON %s (%v)", c.Name, line, err)
		}
	}
}

// TestEveryRoleAndNobody: each role may compute, a caller without a token may not, and nothing of a body is logged.
func TestEveryRoleAndNobody(t *testing.T) {
	var log bytes.Buffer
	service := serve(t, &log)
	req := &pb.ClassifyStrengthRequest{Tasks: []*pb.JobTask{
		{Name: "marker-7719", Zone: pb.Zone_ZONE_CARRY, Pace: pb.Pace_PACE_OCCASIONAL, Load: &pb.Mass{Value: "50", Unit: pb.Unit_UNIT_LB}},
	}}
	for _, way := range []caller.Way{caller.GRPC, caller.REST} {
		for _, role := range record.Roles() {
			got, err := caller.Do[pb.ClassifyStrengthResponse](t.Context(), service.As(string(role), way), "EngineService/ClassifyStrength", req)
			if err != nil || got.GetDemand() != pb.StrengthLevel_STRENGTH_LEVEL_MEDIUM {
				t.Errorf("%s over %s: %v, %v", role, way, got, err)
			}
		}
		for _, token := range []string{"", "stranger"} {
			err := service.As(token, way).Call(t.Context(), "EngineService/ClassifyStrength", req, &pb.ClassifyStrengthResponse{})
			if p, ok := caller.AsProblem(err); !ok || p.Code != "UNAUTHENTICATED" {
				t.Errorf("token %q over %s: %v", token, way, err)
			}
		}
		bad := proto.Clone(req).(*pb.ClassifyStrengthRequest)
		bad.Tasks[0].Load.Value = "marker-7719"
		if err := service.As("payer", way).Call(t.Context(), "EngineService/ClassifyStrength", bad, &pb.ClassifyStrengthResponse{}); err == nil {
			t.Error("a mass that is none is taken")
		}
	}
	if log.Len() == 0 || strings.Contains(log.String(), "marker-7719") {
		t.Errorf("the log is empty or holds what was sent: %s", log.String())
	}
}
