package e2e

import (
	"testing"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/record"
)

// TestDatabaseGoesAway takes the database away in the middle of a push, between what it reads and what it writes. The caller is told to try
// again; nothing is stored; the same push after the database is back is stored once.
func TestDatabaseGoesAway(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	token := w.token(east, "", record.RoleStation)
	for i, way := range both {
		before := w.rows()
		w.logClock.onNext(w.proxy.cut)
		s := session(t, digest, i+1)
		_, err := w.push(w.service.As(token, way), s)
		problem(t, "database away", way, err, "UNAVAILABLE", 503)
		if after := w.rows(); after != before {
			t.Errorf("over %v something was stored:\n%s\nbefore\n%s", way, after, before)
		}
		_, err = w.push(w.service.As(token, way), s)
		problem(t, "database still away", way, err, "UNAVAILABLE", 503)
		w.proxy.restore()
		got, err := w.push(w.service.As(token, way), s)
		if err != nil || got.Outcome != pb.PushSessionResponse_OUTCOME_STORED {
			t.Errorf("database back over %v: %v, %v, want it stored", way, got.GetOutcome(), err)
		}
		w.once(east, s.Id)
	}
}

// TestAnswerIsLost lets a push be committed and loses the database's answer to it. The caller cannot be told what became of it, so it is
// told to try again; the same push then finds itself stored.
func TestAnswerIsLost(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	token := w.token(east, "", record.RoleStation)
	for i, way := range both {
		// The connection has prepared the push's statements once, so that the commit is the next thing it sends.
		must(w.push(w.service.As(token, way), session(t, digest, 10+i)))(t)
		w.logClock.onNext(w.proxy.loseAnswers)
		s := session(t, digest, i+1)
		_, err := w.push(w.service.As(token, way), s)
		problem(t, "answer lost", way, err, "UNAVAILABLE", 503)
		w.proxy.restore()
		got, err := w.push(w.service.As(token, way), s)
		if err != nil || got.Outcome != pb.PushSessionResponse_OUTCOME_ALREADY_STORED {
			t.Errorf("again over %v: %v, %v, want it already stored", way, got.GetOutcome(), err)
		}
		w.once(east, s.Id)
	}
}

// once demands that a session is stored once, with its trials, its finding and one entry.
func (w *world) once(clinic, session string) {
	w.t.Helper()
	got := w.ask(`SELECT (SELECT count(*) FROM ponderal.session WHERE clinic_id = $1 AND id = $2) || ' ' ||
		(SELECT count(*) FROM ponderal.trial WHERE clinic_id = $1 AND session_id = $2) || ' ' ||
		(SELECT count(*) FROM ponderal.finding WHERE clinic_id = $1 AND id = $2) || ' ' ||
		(SELECT count(*) FROM ponderal.audit_entry WHERE clinic_id = $1 AND subjects @> ARRAY['session:' || $2::text])`, clinic, session)[0]
	if want := "1 3 1 1"; got != want {
		w.t.Errorf("session %s: %s sessions, trials, findings, entries, want %s", session, got, want)
	}
}
