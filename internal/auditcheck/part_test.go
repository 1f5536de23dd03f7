package auditcheck

import (
	"testing"

	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

// TestCorrectedPart: a corrected part writes a session row of other content and no trial. The check holds it against its entry like any other; put
// back to what it was before, or with its part changed further, it is named.
func TestCorrectedPart(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for n, in := range []casework.PartCorrection{
		{Expected: 2, Screening: &record.Screening{RestingHeartRate: ptr(74), Systolic: ptr(124), Diastolic: ptr(80)}},
		{Expected: 3, SeriesEnd: &casework.SeriesEnd{Series: 2, Stop: record.StopAdministrative, Note: "fire drill"}},
		{Expected: 4, Body: &record.BodyMeasures{StatureMM: 1650, Mass: ptr(lb(t, "150"))}},
	} {
		in.SessionID, in.Reason = id("5e", 1), "the sheet was misread"
		got := must(w.c.CorrectSession(w.ctx, w.member(east, dana, record.RoleReviewer), in))(t)
		if got.Session.Revision.Number != 3+n {
			t.Fatalf("revision %d", got.Session.Revision.Number)
		}
	}
	w.clean()
	body := "SELECT body FROM ponderal.session WHERE clinic_id = $1 AND id = $2 AND revision = "
	swap := "UPDATE ponderal.session SET body = $3 WHERE clinic_id = $1 AND id = $2 AND revision = 3"
	good := w.ask(body+"3", east, id("5e", 1))[0]
	for name, other := range map[string]string{"the revision before": w.ask(body+"2", east, id("5e", 1))[0], "the revision after": w.ask(body+"4", east, id("5e", 1))[0]} {
		w.exec(swap, east, id("5e", 1), other)
		if r := w.check(); !names(r, east, record.KindSession, id("5e", 1)+" revision 3") || len(r.Problems) != 1 {
			t.Errorf("%s in its place: %v", name, r.Problems)
		}
	}
	w.exec(swap, east, id("5e", 1), good)
	w.clean()
	w.exec("UPDATE ponderal.audit_entry SET action = 'trial.correct' WHERE clinic_id = $1 AND action = 'session.correct'", east)
	if r := w.check(); len(r.Problems) != 3 {
		t.Errorf("an action that the content does not say: %v", r.Problems)
	}
}
