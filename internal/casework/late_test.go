package casework

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// lateWorld is a network in which results are signed and sessions corrected, before and after. The hours are those after noon of the day.
//
//	East, sessions of Sam:
//	  1  signed at 1 h, corrected at 3 h, signed anew at 4 h, corrected again at 6 h
//	  2  corrected at 1 h, signed at 2 h
//	  3  signed at 2 h
//	  4  signed an hour before noon, corrected at 3 h
//	East, sessions of Dana:
//	  5  signed at 1 h, corrected at 5 h
//	  6  corrected at 2 h, never signed
//	West, sessions of Sam:
//	  1  signed at 2 h, corrected at 5 h
//	  2  signed at 2 h
type lateWorld struct {
	*world
	digests map[string]string
	made    map[string]record.Session
}

func newLateWorld(t *testing.T) *lateWorld {
	t.Helper()
	w := &lateWorld{world: newWorld(t), digests: map[string]string{}, made: map[string]record.Session{}}
	for _, clinic := range []string{east, west} {
		w.digests[clinic] = w.ready(clinic)
	}
	w.setClock(day.Add(-time.Hour))
	for _, n := range []int{1, 2, 3, 4} {
		w.push(east, n, sam)
	}
	w.push(east, 5, dana)
	w.push(east, 6, dana)
	w.push(west, 1, sam)
	w.push(west, 7, sam)
	w.sign(east, 4, -1, 1, 0)
	w.sign(east, 1, 1, 1, 0)
	w.correct(east, 2, 1, 1)
	w.sign(east, 5, 1, 1, 0)
	w.sign(east, 2, 2, 2, 0)
	w.sign(east, 3, 2, 1, 0)
	w.correct(east, 6, 2, 1)
	w.sign(west, 1, 2, 1, 0)
	w.sign(west, 7, 2, 1, 0)
	w.correct(east, 1, 3, 1)
	w.correct(east, 4, 3, 1)
	w.sign(east, 1, 4, 2, 1)
	w.correct(west, 1, 5, 1)
	w.correct(east, 5, 5, 1)
	w.correct(east, 1, 6, 2)
	w.setClock(day.Add(7 * time.Hour))
	return w
}

func (w *lateWorld) push(clinic string, n int, evaluator string) {
	w.t.Helper()
	s := session(w.t, w.digests[clinic], n)
	s.EvaluatorID = evaluator
	must(w.c.PushSession(w.ctx, w.station(clinic), s))(w.t)
	w.made[fmt.Sprint(clinic, n)] = s
}

// correct lowers the last load of the first series at an hour, from the revision on.
func (w *lateWorld) correct(clinic string, n, hour, revision int) {
	w.t.Helper()
	w.setClock(day.Add(time.Duration(hour) * time.Hour))
	in := correction(w.t, w.made[fmt.Sprint(clinic, n)], revision)
	in.Trial.Load = lb(w.t, fmt.Sprint(45-5*revision))
	must(w.c.CorrectTrial(w.ctx, w.reviewer(clinic), in))(w.t)
}

// sign signs a revision at an hour, in place of the session's result of a revision before; 0 for the first result.
func (w *lateWorld) sign(clinic string, n, hour, revision, instead int) {
	w.t.Helper()
	w.setClock(day.Add(time.Duration(hour) * time.Hour))
	in := Signing{Proof: proof, SessionID: id("5e", n), ResultID: resultID(n, revision), SessionRevision: revision, Meaning: record.MeaningReviewed,
		Decision: record.CannotBeDetermined, Comment: "to be looked at again"}
	if instead > 0 {
		in.SessionID, in.Supersedes, in.SupersedeReason = "", resultID(n, instead), "a load was misread"
	}
	must(w.c.SignResult(w.ctx, w.reviewer(clinic), in))(w.t)
}

func resultID(n, revision int) string { return id("f0", 10*n+revision) }

// told says an item in a line: clinic, session, the result that stood, who evaluated and corrected, when, from what to what, and what replaced the result.
func told(items []LateCorrection) []string {
	var out []string
	for _, x := range items {
		clinic := map[string]string{east: "east", west: "west"}[x.ClinicID]
		var changes []string
		for _, d := range x.Measured {
			changes = append(changes, d.Was+">"+d.Now)
		}
		out = append(out, fmt.Sprintf("%s %s result %s signed %s by %s; %s %s %s; %s", clinic, x.SessionID[34:], x.ResultID[34:], x.SignedAt.Std().Format("15"),
			map[string]string{sam: "Sam's", dana: "Dana's"}[x.EvaluatorID], x.Entry.ActorName, x.Entry.Entry.At.Std().Format("15"), strings.Join(changes, ","),
			strings.TrimPrefix(x.SupersededBy, id("f0", 0)[:34])))
	}
	return out
}

var (
	lateEast = []string{
		`east 01 result 0b signed 13 by Sam's; Dana Whitfield 15 "45">"40"; 0c`,
		`east 05 result 33 signed 13 by Dana's; Dana Whitfield 17 "45">"40"; `,
		`east 01 result 0c signed 16 by Sam's; Dana Whitfield 18 "40">"35"; `,
	}
	lateWest = `west 01 result 0b signed 14 by Sam's; Dana Whitfield 17 "45">"40"; `
	lateAll  = []string{lateEast[0], lateEast[1], lateWest, lateEast[2]}
)

// TestLateCorrections: by hand, of the results signed from noon on. East: Sam had sessions 1, 2 and 3 signed (4 was signed before noon); of these only 1 was
// corrected after a signature, twice: 1 of 3 is 33.333..., 33.3 percent. Dana had 5 signed and corrected once: 1 of 1, 100.0 percent. 6 was never signed. West: Sam
// had 1 and 2 signed, 1 corrected once: 1 of 2, 50.0 percent; Dana had none signed, so that there is no rate. Lee has left; Robin does not evaluate.
func TestLateCorrections(t *testing.T) {
	t.Parallel()
	w := newLateWorld(t)
	noon := record.TimeOf(day)
	rate := func(clinic, id, name string, signed, corrected, corrections int, percent string) CorrectionRate {
		return CorrectionRate{ClinicID: clinic, EvaluatorID: id, EvaluatorName: name, Signed: signed, Corrected: corrected, Corrections: corrections, Percent: percent}
	}
	ratesEast := []CorrectionRate{rate(east, dana, "Dana Whitfield", 1, 1, 1, "100.0"), rate(east, sam, "Sam Okafor", 3, 1, 2, "33.3")}
	ratesWest := []CorrectionRate{rate(west, dana, "Dana Whitfield", 0, 0, 0, ""), rate(west, sam, "Sam Okafor", 2, 1, 1, "50.0")}

	got := must(w.c.ListLateCorrections(w.ctx, w.admin(east), noon, record.Time{}, record.Page{}))(t)
	if diff := cmp.Diff(lateEast, told(got.Items)); diff != "" || got.Next != "" {
		t.Errorf("east, next %q (-want +got)\n%s", got.Next, diff)
	}
	if diff := cmp.Diff(ratesEast, got.Rates); diff != "" {
		t.Errorf("rates of east (-want +got)\n%s", diff)
	}
	got = must(w.c.ListLateCorrections(w.ctx, w.auditor(""), noon, record.Time{}, record.Page{}))(t)
	if diff := cmp.Diff(lateAll, told(got.Items)); diff != "" {
		t.Errorf("all clinics (-want +got)\n%s", diff)
	}
	if diff := cmp.Diff(append(ratesEast, ratesWest...), got.Rates); diff != "" {
		t.Errorf("rates of all (-want +got)\n%s", diff)
	}
	// Without since a year back: session 4 counts too, 2 of 4. Until is exclusive: what was signed at 1 h is not before 1 h.
	got = must(w.c.ListLateCorrections(w.ctx, w.admin(east), record.Time{}, record.Time{}, record.Page{}))(t)
	if len(got.Items) != 4 || got.Rates[1].Percent != "50.0" || got.Rates[1].Signed != 4 {
		t.Errorf("a year back: %q, %+v", told(got.Items), got.Rates)
	}
	one := record.TimeOf(day.Add(time.Hour))
	got = must(w.c.ListLateCorrections(w.ctx, w.admin(east), noon, one, record.Page{}))(t)
	if len(got.Items) != 0 {
		t.Errorf("until 1 h: %q", told(got.Items))
	}
	got = must(w.c.ListLateCorrections(w.ctx, w.admin(east), one, record.TimeOf(one.Std().Add(time.Microsecond)), record.Page{}))(t)
	if diff := cmp.Diff(lateEast[:2], told(got.Items)); diff != "" {
		t.Errorf("signed at 1 h (-want +got)\n%s", diff)
	}
}

// TestLateCorrectionsPages: pages over all clinics hold each correction once, in order, those of one moment by clinic; what is corrected meanwhile is not in
// them, and rates stand on the first.
func TestLateCorrectionsPages(t *testing.T) {
	t.Parallel()
	w := newLateWorld(t)
	noon := record.TimeOf(day)
	for _, size := range []int{1, 2, 3, 4} {
		page := record.Page{Size: size}
		var items []LateCorrection
		for n := 0; ; n++ {
			eastSize, westSize := w.size(east), w.size(west)
			got := must(w.c.ListLateCorrections(w.ctx, w.auditor(""), noon, record.Time{}, page))(t)
			items = append(items, got.Items...)
			if (len(got.Rates) > 0) != (n == 0) {
				t.Errorf("page %d has rates %+v", n, got.Rates)
			}
			for clinic, before := range map[string]int64{east: eastSize, west: westSize} {
				shown := n == 0
				for _, x := range got.Items {
					shown = shown || x.ClinicID == clinic
				}
				if wrote := w.size(clinic) - before; shown != (wrote == 1) || wrote > 1 {
					t.Errorf("page %d of %d shows of %s: %t, and its log got %d entries", n, size, clinic, shown, wrote)
				}
			}
			if size == 1 && n == 0 {
				w.correct(west, 7, 8, 1)
			}
			if got.Next == "" {
				break
			}
			page.Cursor = got.Next
		}
		want := lateAll
		if size > 1 {
			// The clock has gone on.
			want = append(append([]string{}, lateAll...), `west 07 result 47 signed 14 by Sam's; Dana Whitfield 20 "45">"40"; `)
		}
		if diff := cmp.Diff(want, told(items)); diff != "" {
			t.Errorf("pages of %d (-want +got)\n%s", size, diff)
		}
	}
}

func TestLateCorrectionsRefuses(t *testing.T) {
	t.Parallel()
	w := newLateWorld(t)
	noon, one := record.TimeOf(day), record.TimeOf(day.Add(time.Hour))
	_, err := w.c.ListLateCorrections(w.ctx, w.admin(east), one, noon, record.Page{})
	wantInvalid(t, err, "until period.order")
	first := must(w.c.ListLateCorrections(w.ctx, w.auditor(""), noon, record.Time{}, record.Page{Size: 1}))(t)
	parts := strings.Split(first.Next, ".")
	with := func(i int, value string) string {
		changed := append([]string{}, parts...)
		changed[i] = value
		return strings.Join(changed, ".")
	}
	for name, cursor := range map[string]string{
		"garbage": "%", "a number": "7", "of entries": "e.1.2." + parts[7], "a clinic that is none": with(2, "x"), "no clinic": with(2, ""),
		"a number that is none": with(3, "x"), "a negative number": with(3, "-1"), "a time spelled otherwise": with(1, "0"+parts[1]),
		"after its own last moment": with(4, "1"), "a time beyond all": with(4, "9223372036854775807"), "cut short": first.Next[:len(first.Next)-1],
	} {
		_, err := w.c.ListLateCorrections(w.ctx, w.auditor(""), noon, record.Time{}, record.Page{Size: 1, Cursor: cursor})
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != fault.Invalid || len(f.Violations) != 1 || f.Violations[0].Field != "page.cursor" {
			t.Errorf("a cursor, %s: %v", name, err)
		}
	}
	_, err = w.c.ListLateCorrections(w.ctx, w.auditor(""), one, record.Time{}, record.Page{Size: 1, Cursor: first.Next})
	wantInvalid(t, err, "page.cursor page.cursor")
	_, err = w.c.ListLateCorrections(w.ctx, w.auditor(east), noon, record.Time{}, record.Page{Size: 1, Cursor: first.Next})
	wantInvalid(t, err, "page.cursor page.cursor")
}

// TestPercent: worked out by hand; a half goes to the even digit, as in 6.25 to 6.2 and 18.75 to 18.8.
func TestPercent(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		part, whole int
		want        string
	}{
		{0, 0, ""}, {0, 5, "0.0"}, {5, 5, "100.0"}, {1, 3, "33.3"}, {2, 3, "66.7"}, {1, 16, "6.2"}, {3, 16, "18.8"}, {1, 2000, "0.0"}, {3, 2000, "0.2"},
		{1, 1999, "0.1"}, {1, 2001, "0.0"}, {999, 1000, "99.9"}, {1999, 2000, "100.0"},
	} {
		if got := percent(c.part, c.whole); got != c.want {
			t.Errorf("%d of %d is %s percent, want %s", c.part, c.whole, got, c.want)
		}
	}
}
