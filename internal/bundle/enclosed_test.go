package bundle

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/engine/golden"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// committed signs a document in format 2 and puts it into a log; edit changes the signed part before.
func (m *maker) committed(doc record.ResultDocument, edit func(*record.ResultDocument)) Bundle {
	m.t.Helper()
	salt := make([]byte, saltSize)
	if _, err := seeded(99).Read(salt); err != nil {
		m.t.Fatal(err)
	}
	signed, enclosed, err := Commit(doc, salt)
	if err != nil {
		m.t.Fatal(err)
	}
	if edit != nil {
		edit(&signed)
	}
	b := m.bundle(signed, 4, 2, nil)
	b.Enclosed, b.EnclosedSalt = enclosed, salt
	return b
}

// reducedOf is a bundle as it is released without raw trials.
func reducedOf(b Bundle) Bundle {
	b.Enclosed, b.EnclosedSalt = nil, nil
	return b
}

func statesOf(r Report) map[string]State {
	out := make(map[string]State)
	for _, s := range r.Steps {
		out[s.Name] = s.State
	}
	return out
}

// TestVerifyWithAndWithoutTrials: with the raw trials the engine is run again on the whole document; without them the rest is proved, and the
// report says that the engine was not run, by the digest.
func TestVerifyWithAndWithoutTrials(t *testing.T) {
	m := newMaker(t)
	for name, doc := range m.documents() {
		b := m.committed(doc, nil)
		r, err := Verify(m.ring, b, "")
		if err != nil || !r.OK || !r.Rerun {
			t.Fatalf("%s: %v, %+v", name, err, r.Steps)
		}
		whole := r.Document
		whole.Format, whole.EnclosedDigest = record.ResultFormat, ""
		if diff := cmp.Diff(string(must(Payload(doc))(t)), string(must(Payload(whole))(t))); diff != "" {
			t.Errorf("%s: joined it is not what was taken apart: %s", name, diff)
		}
		for step, state := range statesOf(r) {
			if state != StepOK {
				t.Errorf("%s: step %s is %s", name, step, state)
			}
		}
		r, err = Verify(m.ring, reducedOf(b), "")
		if err != nil || !r.OK || r.Rerun {
			t.Fatalf("%s, reduced: %v, %+v", name, err, r.Steps)
		}
		for step, state := range statesOf(r) {
			rests := slices.Contains([]string{"enclosed", "engine", "finding"}, step)
			if rests != (state == StepWithheld) || !rests && state != StepOK {
				t.Errorf("%s, reduced: step %s is %s", name, step, state)
			}
		}
		var text strings.Builder
		if err := r.WriteText(&text); err != nil {
			t.Fatal(err)
		}
		says := "the raw trials were not released: they are committed to by digest SHA-256 " + r.Document.EnclosedDigest + "; the engine was not run again"
		if !strings.HasPrefix(text.String(), "VERIFIED WITHOUT THE RAW TRIALS: ") || !strings.Contains(strings.Join(strings.Fields(text.String()), " "), says) {
			t.Errorf("%s, reduced: the text does not say so:\n%s", name, text.String())
		}
	}
}

// documents are a small result and one of each golden case, corrected before it was signed.
func (m *maker) documents() map[string]record.ResultDocument {
	out := map[string]record.ResultDocument{"small": m.document()}
	for _, c := range must(golden.Load(filepath.Join("..", "..", "testdata", "golden")))(m.t) {
		if doc, ok := m.ofCase(c); ok {
			out[c.Name] = doc
		}
	}
	if len(out) < 50 {
		m.t.Fatalf("only %d documents", len(out))
	}
	return out
}

// ofCase is a result of a golden case's session; not ok where the case is not one that a clinic could sign as it is.
func (m *maker) ofCase(c golden.Case) (record.ResultDocument, bool) {
	doc := m.document()
	doc.Session, doc.SessionRevision, doc.Person = c.Input.Session, c.Input.SessionRevision, c.Input.Person
	doc.Session.ClinicID, doc.Session.ReferralID = clinicID, referralID
	year := doc.Session.StartedAt.Std().Year() - doc.Person.AgeYears
	doc.Client.BirthDate, doc.Client.Sex = fmt.Sprintf("%d-01-01", year), doc.Person.Sex
	doc.Protocols = slices.Clone(c.Input.Protocols)
	slices.SortFunc(doc.Protocols, func(a, b record.NamedProtocol) int { return strings.Compare(a.Digest, b.Digest) })
	doc.Kits = slices.Clone(c.Input.Kits)
	for i := range doc.Kits {
		doc.Kits[i].ClinicID = clinicID
	}
	slices.SortFunc(doc.Kits, func(a, b record.Kit) int { return strings.Compare(a.ID, b.ID) })
	doc.Job, doc.JobRevision = c.Input.Job, c.Input.JobRevision
	if doc.Job != nil {
		job := *doc.Job
		job.ClinicID = clinicID
		doc.Job = &job
	}
	if len(doc.Session.Series) > 0 && doc.Session.Series[0].StopNote == "" {
		doc.Session.Series = slices.Clone(doc.Session.Series)
		doc.Session.Series[0].StopNote = "said of the last trial"
	}
	doc.Corrections = []record.Correction{{Series: 1, Trial: 2, Revision: 2, At: at("2026-03-04T11:00:00Z"), By: "Dana Whitfield", Reason: "93 was read for 98"}}
	finding, err := Rerun(doc)
	if err != nil {
		return doc, false
	}
	doc.Finding = finding
	if finding.Job != nil {
		doc.Decision, doc.Comment = finding.Job.Outcome, "as recommended"
		if !finding.Complete {
			doc.Decision = record.CannotBeDetermined
		}
	}
	_, err = Verify(m.ring, m.bundle(doc, 4, 2, nil), "")
	return doc, err == nil
}

// TestEnclosedRefused: whatever does not fit the digest that was signed fails the step for it, with its name.
func TestEnclosedRefused(t *testing.T) {
	m := newMaker(t)
	doc := m.rich()
	b := m.committed(doc, nil)
	with := func(edit func(*Bundle)) Bundle {
		c := b
		c.Enclosed, c.EnclosedSalt = slices.Clone(b.Enclosed), slices.Clone(b.EnclosedSalt)
		edit(&c)
		return c
	}
	// parts signs the digest of parts that were changed.
	parts := func(edit func(*record.Enclosed)) Bundle {
		var e record.Enclosed
		if err := json.Unmarshal(b.Enclosed, &e); err != nil {
			t.Fatal(err)
		}
		edit(&e)
		text := must(canon.Marshal(e))(t)
		c := m.committed(doc, func(d *record.ResultDocument) { d.EnclosedDigest = EnclosedDigest(b.EnclosedSalt, text) })
		c.Enclosed = text
		return c
	}
	cases := map[string]struct {
		b    Bundle
		want string
	}{
		"other trials":     {with(func(b *Bundle) { b.Enclosed[len(b.Enclosed)-1] ^= 1 }), "not those that the signed result commits to by digest"},
		"other salt":       {with(func(b *Bundle) { b.EnclosedSalt[0] ^= 1 }), "not those that the signed result commits to by digest"},
		"short salt":       {with(func(b *Bundle) { b.EnclosedSalt = b.EnclosedSalt[:31] }), "the salt of the raw trials is not 32 bytes"},
		"long salt":        {with(func(b *Bundle) { b.EnclosedSalt = append(b.EnclosedSalt, 0) }), "the salt of the raw trials is not 32 bytes"},
		"no salt":          {with(func(b *Bundle) { b.EnclosedSalt = nil }), "the salt of the raw trials is not 32 bytes"},
		"salt alone":       {with(func(b *Bundle) { b.Enclosed = nil }), "not those that the signed result commits to by digest"},
		"file of format 1": {with(func(b *Bundle) { b.Format = Format }), "the file is of a form for results that have their trials in them"},
		"series too many": {parts(func(e *record.Enclosed) { e.Series = append(e.Series, record.EnclosedSeries{Number: 7}) }),
			"a part too many: series 7"},
		"series too few": {parts(func(e *record.Enclosed) { e.Series = e.Series[:len(e.Series)-1] }), "lack the part: series 1"},
		"other series":   {parts(func(e *record.Enclosed) { e.Series[0].Number = 5 }), "not the signed result's: series 5 where 1 belongs"},
		"hand series too many": {parts(func(e *record.Enclosed) { e.HandSeries = append(e.HandSeries, record.EnclosedHandSeries{Number: 8}) }),
			"a part too many: hand series 8"},
		"hand series too few":     {parts(func(e *record.Enclosed) { e.HandSeries = nil }), "lack the part: hand series 1"},
		"position series too few": {parts(func(e *record.Enclosed) { e.PositionSeries = nil }), "lack the part: position series 1"},
		"capacity too few":        {parts(func(e *record.Enclosed) { e.Capacities = []record.EnclosedCapacity{} }), "lack the part: capacity of series 1"},
		"tolerance too few":       {parts(func(e *record.Enclosed) { e.Positions = nil }), "lack the part: tolerance of position series 1"},
		"correction too few":      {parts(func(e *record.Enclosed) { e.Corrections = nil }), "lack the part: correction of revision 2"},
		"no digest": {m.committed(doc, func(d *record.ResultDocument) { d.EnclosedDigest = "" }),
			"holds neither its trials nor a digest of them"},
		"trials in the signed part": {m.committed(doc, func(d *record.ResultDocument) { d.Session = doc.Session }), "holds some of them at session."},
	}
	first := m.bundle(m.document(), 4, 2, nil)
	first.Enclosed, first.EnclosedSalt = b.Enclosed, b.EnclosedSalt
	cases["parts of a result of format 1"] = struct {
		b    Bundle
		want string
	}{first, "raw trials are enclosed with a result that was signed with its trials inside"}
	for name, c := range cases {
		r, err := Verify(m.ring, c.b, "")
		if !errors.Is(err, ErrNotVerified) || r.OK || r.Rerun {
			t.Errorf("%s: verifies", name)
			continue
		}
		for _, s := range r.Steps {
			if failed := s.State == StepFailed; failed != (s.Name == "enclosed") || failed && !strings.Contains(s.Why, c.want) {
				t.Errorf("%s: step %s is %s: %s; want %q", name, s.Name, s.State, s.Why, c.want)
			}
		}
	}
	// Trials that were committed to and do not give the finding fail the step of the finding.
	other := parts(func(e *record.Enclosed) { e.Series[0].Trials[2].Repetitions = 0 })
	if r, err := Verify(m.ring, other, ""); err == nil || statesOf(r)["finding"] != StepFailed || statesOf(r)["enclosed"] != StepOK {
		t.Errorf("other trials under their digest: %v, %+v", err, r.Steps)
	}
	if _, _, err := Commit(doc, b.EnclosedSalt[:31]); err == nil {
		t.Error("committed under a short salt")
	}
}

// rich is a result with a part of every kind, whose single readings are of numbers and words that stand nowhere else in it.
func (m *maker) rich() record.ResultDocument {
	doc := m.document()
	s := &doc.Session
	s.Series[0].StopNote = "stop-note-sentinel"
	for i := range s.Series[0].Trials {
		trial := &s.Series[0].Trials[i]
		trial.HeartRate, trial.StartHeartRate = ptr(111+7*i), ptr(87+i)
		trial.SteadyHeartRate = ptr(109 + 7*i)
		trial.InsertCodes = []string{"insert-sentinel"}
		trial.ClosedReason = "closed-sentinel"
		trial.Signs = []record.MechanicsSign{{Sign: record.SignKind("heel_rise"), Grade: i}}
	}
	s.Series[0].Trials[2].Symptoms = []record.Symptom{"dizziness"}
	s.HandSeries = []record.HandSeries{{Number: 1, Measure: record.Grip, Hand: record.LeftHand, Procedure: record.HandRepeated, Note: "hand-note-sentinel"}}
	for i, kg := range []string{"31.7", "33.9", "32.3"} {
		s.HandSeries[0].Trials = append(s.HandSeries[0].Trials, record.HandTrial{Number: i + 1, At: at("2026-03-04T09:40:00Z"),
			Reading: must(mass.Parse(kg, mass.Kilogram))(m.t), Effort: ptr(record.Effort(13))})
	}
	s.PositionSeries = []record.PositionSeries{{Number: 1, Position: record.Position("sitting"), Rating: record.ToleratedFrequent, Note: "position-note-sentinel",
		Bouts: []record.Bout{{Number: 1, At: at("2026-03-04T09:50:00Z"), AskedSeconds: 617, KeptSeconds: 409, EndedBy: record.BoutEnd("volitional"), HeartRate: ptr(143)}}}}
	doc.Corrections = []record.Correction{{Series: 1, Trial: 2, Revision: 2, At: at("2026-03-04T11:00:00Z"), By: "Dana Whitfield", Reason: "reason-sentinel"}}
	return m.scored(doc)
}

// TestReducedHoldsNoReading walks everything that goes out without raw trials, the audit entry with it.
func TestReducedHoldsNoReading(t *testing.T) {
	m := newMaker(t)
	doc := m.rich()
	b := m.committed(doc, nil)
	whole := everything(t, b)
	part := everything(t, reducedOf(b))
	for _, sentinel := range []string{"111", "118", "125", "87", "88", "89", "109", "116", "123", "heel_rise", "dizziness", "insert-sentinel", "closed-sentinel",
		"stop-note-sentinel", "hand-note-sentinel", "position-note-sentinel", "reason-sentinel", "6.5", "31.7", "32.3", "617", "409", "143"} {
		if !slices.Contains(whole, sentinel) {
			t.Errorf("the whole bundle has no %q: the test shows nothing of it", sentinel)
		}
		if slices.Contains(part, sentinel) {
			t.Errorf("the reduced bundle tells %q", sentinel)
		}
	}
}

// TestReducedOfEveryCase: no member that is named after a single reading has content in the reduced payload of any golden case.
func TestReducedOfEveryCase(t *testing.T) {
	m := newMaker(t)
	readings := []string{"trials", "bouts", "heart_rate", "start_heart_rate", "steady_heart_rate", "effort_rating", "signs", "sustainable", "more_possible",
		"heart_rate_trace", "insert_codes", "closed_reason", "reading", "repetitions_done", "mechanics", "aerobic", "asked_seconds", "kept_seconds", "longest_seconds", "stop_note",
		"note", "guards", "status", "symptoms", "measured"}
	for name, doc := range m.documents() {
		signed, _, err := Commit(doc, make([]byte, saltSize))
		if err != nil {
			t.Fatal(err)
		}
		// Screening is of the day and not of a trial; a hand's number of trials is a count; protocols are limits.
		signed.Session.Screening, signed.Finding.Screening, signed.Protocols = record.Screening{}, nil, nil
		var tree any
		if err := json.Unmarshal(must(Payload(signed))(t), &tree); err != nil {
			t.Fatal(err)
		}
		walk("", tree, func(path string, leaf any) {
			last := path[strings.LastIndex(path, "/")+1:]
			if slices.Contains(readings, last) && !strings.HasPrefix(path, "/finding/hands/") {
				t.Errorf("%s: %s is %v", name, path, leaf)
			}
		})
	}
}

// TestReadingThatChangesNothing: two sessions that differ in a reading which changes no finding have reduced payloads that differ in the
// digest alone.
func TestReadingThatChangesNothing(t *testing.T) {
	m := newMaker(t)
	salt := make([]byte, saltSize)
	payload := func(doc record.ResultDocument) []byte {
		signed, _, err := Commit(doc, salt)
		if err != nil {
			t.Fatal(err)
		}
		return must(Payload(signed))(t)
	}
	was := m.rich()
	found := must(canon.Marshal(was.Finding))(t)
	for name, edit := range map[string]func(*record.Session){
		"heart rate":      func(s *record.Session) { s.Series[0].Trials[0].HeartRate = ptr(112) },
		"inserts":         func(s *record.Session) { s.Series[0].Trials[0].InsertCodes = []string{"A", "B"} },
		"moment":          func(s *record.Session) { s.Series[0].Trials[1].At = at("2026-03-04T09:16:00Z") },
		"stop note":       func(s *record.Session) { s.Series[0].StopNote = "" },
		"hand's effort":   func(s *record.Session) { s.HandSeries[0].Trials[0].Effort = ptr(record.Effort(3)) },
		"bout's heart":    func(s *record.Session) { s.PositionSeries[0].Bouts[0].HeartRate = nil },
		"position's note": func(s *record.Session) { s.PositionSeries[0].Note = "other" },
	} {
		now := m.rich()
		edit(&now.Session)
		now = m.scored(now)
		if string(must(canon.Marshal(now.Finding))(t)) != string(found) {
			t.Errorf("%s: the findings differ, so that the case shows nothing", name)
			continue
		}
		diff := must(canon.Diff(payload(was), payload(now)))(t)
		if len(diff) != 1 || diff[0].Path != "enclosed_digest" {
			t.Errorf("%s: they differ in %+v", name, diff)
		}
	}
}

// TestEnclosedSaltSpelled: the contract's JSON has two spellings of a member with two words; both are read, and never both at once.
func TestEnclosedSaltSpelled(t *testing.T) {
	m := newMaker(t)
	b := m.committed(m.document(), nil)
	file := string(must(Encode(b))(t))
	camel := strings.Replace(file, `"enclosed_salt"`, `"enclosedSalt"`, 1)
	for _, text := range []string{file, camel} {
		if diff := cmp.Diff(b, must(Decode([]byte(text)))(t)); diff != "" {
			t.Errorf("(-want +got)\n%s", diff)
		}
	}
	for name, text := range map[string]string{
		"both":       strings.Replace(file, `{"checkpoint"`, `{"enclosedSalt":"AA","checkpoint"`, 1),
		"not base64": strings.Replace(file, `"enclosed_salt":"`, `"enclosed_salt":"=`, 1),
	} {
		if _, err := Decode([]byte(text)); !errors.Is(err, ErrBundle) || text == file {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// everything lists every scalar of a bundle as text, and those of the JSON that stands in its texts.
func everything(t *testing.T, b Bundle) []string {
	t.Helper()
	payload := strings.Split(b.JWS, ".")[1]
	var out []string
	for _, doc := range [][]byte{must(base64.RawURLEncoding.DecodeString(payload))(t), b.Entry, b.Enclosed} {
		if len(doc) == 0 {
			continue
		}
		dec := json.NewDecoder(strings.NewReader(string(doc)))
		dec.UseNumber()
		var tree any
		if err := dec.Decode(&tree); err != nil {
			t.Fatal(err)
		}
		walk("", tree, func(_ string, leaf any) {
			out = append(out, strings.FieldsFunc(fmt.Sprint(leaf), func(c rune) bool { return c == ' ' || c == ',' || c == ';' })...)
		})
	}
	return out
}

// walk visits every scalar of a JSON tree; arrays add nothing to a path.
func walk(path string, tree any, visit func(path string, leaf any)) {
	switch v := tree.(type) {
	case map[string]any:
		for name, member := range v {
			walk(path+"/"+name, member, visit)
		}
	case []any:
		for _, item := range v {
			walk(path, item, visit)
		}
	default:
		visit(path, v)
	}
}
