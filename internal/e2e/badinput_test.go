package e2e

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"
)

type badSession struct {
	name  string
	spoil func(*pb.Session)
	// field ends one of the paths that the answer names.
	field string
	code  string
	http  int
}

func trial(s *pb.Session, n int) *pb.Trial { return s.Series[0].Trials[n] }

var badSessions = []badSession{
	{"unit not given", func(s *pb.Session) { trial(s, 1).Load.Unit = 0 }, "load.unit", "INVALID_ARGUMENT", 400},
	{"unit unknown", func(s *pb.Session) { trial(s, 1).Load.Unit = 99 }, "load.unit", "INVALID_ARGUMENT", 400},
	{"load NaN", func(s *pb.Session) { trial(s, 1).Load.Value = "NaN" }, "load.value", "INVALID_ARGUMENT", 400},
	{"load negative", func(s *pb.Session) { trial(s, 1).Load.Value = "-25" }, "load.value", "INVALID_ARGUMENT", 400},
	{"load of nothing", func(s *pb.Session) { trial(s, 1).Load.Value = "0" }, "load", "INVALID_ARGUMENT", 400},
	{"heart rate 19", func(s *pb.Session) { trial(s, 1).HeartRateBpm = ptr(uint32(19)) }, "heart_rate_bpm", "INVALID_ARGUMENT", 400},
	{"heart rate 251", func(s *pb.Session) { trial(s, 1).HeartRateBpm = ptr(uint32(251)) }, "heart_rate_bpm", "INVALID_ARGUMENT", 400},
	{"effort 10.5", func(s *pb.Session) { trial(s, 1).EffortRating = ptr(10.5) }, "effort_rating", "INVALID_ARGUMENT", 400},
	{"effort negative", func(s *pb.Session) { trial(s, 1).EffortRating = ptr(-0.5) }, "effort_rating", "INVALID_ARGUMENT", 400},
	{"effort NaN", func(s *pb.Session) { trial(s, 1).EffortRating = ptr(math.NaN()) }, "effort_rating", "INVALID_ARGUMENT", 400},
	{"effort between halves", func(s *pb.Session) { trial(s, 1).EffortRating = ptr(7.25) }, "effort_rating", "INVALID_ARGUMENT", 400},
	{"series without trials", func(s *pb.Session) { s.Series[0].Trials = nil }, "trials", "INVALID_ARGUMENT", 400},
	{"session without series", func(s *pb.Session) { s.Series = nil }, "series", "INVALID_ARGUMENT", 400},
	{"trial numbers out of order", func(s *pb.Session) { trial(s, 0).Number, trial(s, 1).Number = 2, 1 }, "number", "INVALID_ARGUMENT", 400},
	{"trial times out of order", func(s *pb.Session) { trial(s, 2).At = timestamppb.New(trial(s, 0).At.AsTime().Add(-time.Minute)) }, "at",
		"INVALID_ARGUMENT", 400},
	{"protocol not published", func(s *pb.Session) {
		s.Series[0].ProtocolDigest = "00000000000000000000000000000000000000000000000000000000000000ff"
	}, "protocol_digest", "INVALID_ARGUMENT", 400},
	{"session of another clinic", func(s *pb.Session) { s.ClinicId = west }, "", "PERMISSION_DENIED", 403},
}

// TestBadSessions pushes each through both transports: the same refusal, which names the field and the rule, and nothing stored.
func TestBadSessions(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	w.ready(west)
	token := w.token(east, "", record.RoleStation)
	before := w.rows()
	for _, bad := range badSessions {
		var answers []*caller.Problem
		for _, way := range both {
			s := session(t, digest, 1)
			bad.spoil(s)
			_, err := w.push(w.service.As(token, way), s)
			p := problem(t, bad.name, way, err, bad.code, bad.http)
			if p == nil {
				continue
			}
			if bad.field != "" && !p.Names(bad.field) {
				t.Errorf("%s over %v: %v does not name %s", bad.name, way, p, bad.field)
			}
			p.HTTP = 0
			answers = append(answers, p)
		}
		if len(answers) == 2 {
			if d := cmp.Diff(answers[0], answers[1]); d != "" {
				t.Errorf("%s: the details differ (-gRPC +REST)\n%s", bad.name, d)
			}
		}
	}
	if after := w.rows(); after != before {
		t.Errorf("something was stored:\n%s\nbefore\n%s", after, before)
	}
}

// TestSessionsAtTheBorder are taken: the other side of each limit.
func TestSessionsAtTheBorder(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	token := w.token(east, "", record.RoleStation)
	n := 0
	for name, set := range map[string]func(*pb.Session){
		"heart rate 20":  func(s *pb.Session) { trial(s, 1).HeartRateBpm = ptr(uint32(20)) },
		"heart rate 250": func(s *pb.Session) { trial(s, 2).HeartRateBpm = ptr(uint32(250)) },
		"effort 10":      func(s *pb.Session) { trial(s, 2).EffortRating = ptr(10.0) },
		"effort 0":       func(s *pb.Session) { trial(s, 0).EffortRating = ptr(0.0) },
		"effort 7.5":     func(s *pb.Session) { trial(s, 2).EffortRating = ptr(7.5) },
		"load 0.001 lb":  func(s *pb.Session) { trial(s, 0).Load.Value = "0.001" },
		"own clinic":     func(s *pb.Session) { s.ClinicId = east },
	} {
		for _, way := range both {
			n++
			s := session(t, digest, n)
			set(s)
			got, err := w.push(w.service.As(token, way), s)
			if err != nil || got.Outcome != pb.PushSessionResponse_OUTCOME_STORED {
				t.Errorf("%s over %v: %v, %v, want it stored", name, way, got.GetOutcome(), err)
			}
		}
	}
}

// TestDuplicates pushes a session again: the same is stored once, other content is a conflict that names the field, whichever way each came.
func TestDuplicates(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	token := w.token(east, "", record.RoleStation)
	must(w.push(w.service.As(token, caller.GRPC), session(t, digest, 1)))(t)
	before := w.rows()
	for _, way := range both {
		got, err := w.push(w.service.As(token, way), session(t, digest, 1))
		if err != nil || got.Outcome != pb.PushSessionResponse_OUTCOME_ALREADY_STORED {
			t.Errorf("again over %v: %v, %v, want it already stored", way, got.GetOutcome(), err)
		}
		other := session(t, digest, 1)
		trial(other, 1).HeartRateBpm = ptr(uint32(99))
		_, err = w.push(w.service.As(token, way), other)
		if p := problem(t, "other content", way, err, "ABORTED", 409); p != nil && !p.Names("trials[2].heart_rate") && !p.Names("heart_rate_bpm") {
			t.Errorf("other content over %v: %v does not name the heart rate of the trial", way, p)
		}
	}
	if after := w.rows(); after != before {
		t.Errorf("something was stored:\n%s\nbefore\n%s", after, before)
	}
}

// TestTokens are refused when missing, unknown, expired or revoked, and taken just before.
func TestTokens(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	tokenID, revoked := w.newToken(east, "", record.RoleStation)
	expired := w.token(east, "", record.RoleStation)
	n := 0
	taken := func(token string) {
		t.Helper()
		for _, way := range both {
			n++
			must(w.push(w.service.As(token, way), session(t, digest, n)))(t)
		}
	}
	taken(revoked)
	must(w.cases.RevokeToken(w.ctx, w.admin(east), tokenID, "lost"))(t)
	w.clock.set(day.Add(48*time.Hour - time.Second))
	taken(expired)
	w.clock.set(day.Add(48 * time.Hour))
	before := w.rows()
	for name, token := range map[string]string{"missing": "", "malformed": "abc", "unknown": id("aa", 77) + "." + "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA",
		"revoked": revoked, "expired": expired} {
		for _, way := range both {
			_, err := w.push(w.service.As(token, way), session(t, digest, 50))
			problem(t, name, way, err, "UNAUTHENTICATED", 401)
		}
	}
	if after := w.rows(); after != before {
		t.Errorf("something was stored:\n%s\nbefore\n%s", after, before)
	}
}
