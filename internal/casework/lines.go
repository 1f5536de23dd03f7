package casework

import (
	"fmt"
	"strings"

	"ponderal.example/internal/bundle"
	"ponderal.example/internal/canon"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// line says a step in plain words: when, who, in which role, what, from what to what, why, and where in which log.
func (h *historian) line(step ScoreChange, was revision) string {
	e := step.Entry.Entry
	who := step.Entry.ActorName
	if who == "" {
		who = "unnamed credential"
	}
	if e.Actor.Role != "" {
		who += " (" + bundle.Plain(e.Actor.Role) + ")"
	}
	text := fmt.Sprintf("%s  %s %s.", bundle.Moment(e.At), who, h.what(step, was))
	if e.Reason != "" {
		text += fmt.Sprintf(" Reason: %q", e.Reason)
	}
	return text + fmt.Sprintf("  [entry %d of log %s]", e.Number, h.c.log.Origin(h.clinic))
}

func (h *historian) what(step ScoreChange, was revision) string {
	e := step.Entry.Entry
	switch e.Action {
	case record.ActionSessionPush:
		return "pushed the session: " + h.scores(h.before.finding)
	case record.ActionTrialCorrect:
		series, trial := correctedTrial(e, h.session)
		return h.corrected(fmt.Sprintf("series %d trial %d", series, trial), h.trialChanges(was, series, trial), was)
	case record.ActionSessionCorrect:
		name, series := correctedPart(e, h.session)
		return h.corrected(partName(name, series), h.partChanges(was, name, series), was)
	case record.ActionSessionRescore:
		if changed := h.findingChanges(was.finding, h.before.finding); len(changed) > 0 {
			return "had the session scored again: " + strings.Join(changed, ", ")
		}
		return "had the session scored again; capacities, strength level and job match are as before"
	case record.ActionResultSign:
		return fmt.Sprintf("signed result %s on revision %d", step.ResultID, h.before.number)
	case record.ActionResultSupersede:
		return fmt.Sprintf("signed result %s on revision %d in place of result %s", step.ResultID, h.before.number, otherResult(e, step.ResultID))
	case record.ActionClientErase:
		return "erased the records of the client on demand"
	case record.ActionResultDisclose:
		return "was shown " + strings.Join(h.resultsIn(e), ", ") + " as " + h.payers[subjectOf(e.Subjects, record.KindPayer)]
	}
	return bundle.Plain(strings.ReplaceAll(e.Action, ".", " "))
}

// corrected says what a correction changed in what was recorded and in the finding.
func (h *historian) corrected(what string, recorded changes, was revision) string {
	text := "corrected " + what + ": " + strings.Join(recorded, ", ")
	if changed := h.findingChanges(was.finding, h.before.finding); len(changed) > 0 {
		return text + "; " + strings.Join(changed, ", ")
	}
	return text + "; the finding is as before"
}

// subjectOf is the id of the first subject of a kind; empty when there is none.
func subjectOf(subjects []string, kind string) string {
	for _, s := range subjects {
		if id, ok := strings.CutPrefix(s, kind+":"); ok {
			return id
		}
	}
	return ""
}

// resultsIn names the results of this session that an entry is about; a page of a feed shows those of others too.
func (h *historian) resultsIn(e record.Entry) []string {
	var out []string
	for _, s := range e.Subjects {
		if id, ok := strings.CutPrefix(s, record.KindResult+":"); ok && h.results[id] {
			out = append(out, "result "+id)
		}
	}
	return out
}

// otherResult is the result among the subjects that is not the one that was signed.
func otherResult(e record.Entry, signed string) string {
	for _, s := range e.Subjects {
		if id, ok := strings.CutPrefix(s, record.KindResult+":"); ok && id != signed {
			return id
		}
	}
	return ""
}

// show says a mass in the clinic's unit: exactly where that has an end, otherwise rounded to a tenth.
func (h *historian) show(m *mass.Mass) string {
	if m == nil {
		return "none"
	}
	if value, exact := m.In(h.unit); exact && len(value) <= 6 {
		return value + " " + string(h.unit)
	}
	return m.Rounded(h.unit, 1) + " " + string(h.unit)
}

// scores says what a finding comes to.
func (h *historian) scores(f record.Finding) string {
	var parts []string
	for _, c := range f.Capacities {
		parts = append(parts, fmt.Sprintf("%s %s", capacityName(c), h.show(c.Load)))
	}
	for _, x := range f.Hands {
		parts = append(parts, handName(x)+" "+h.show(&x.Strength))
	}
	for _, x := range f.Positions {
		parts = append(parts, bundle.Plain(x.Position)+" "+bundle.Plain(x.Tolerance))
	}
	if f.Overall != nil {
		parts = append(parts, "strength level "+bundle.Plain(f.Overall.Level))
	}
	if f.Job != nil {
		parts = append(parts, "job match "+bundle.Plain(f.Job.Outcome))
	}
	return strings.Join(parts, ", ")
}

// capacityName names a capacity by its zone, and by its pace where that is not the usual one.
func capacityName(c record.Capacity) string {
	if c.Pace == record.Occasional {
		return "capacity " + bundle.Plain(c.Zone)
	}
	return "capacity " + bundle.Plain(c.Zone) + " " + string(c.Pace)
}

// findingChanges says what changed in what people look at in a finding.
func (h *historian) findingChanges(was, now record.Finding) changes {
	var out changes
	before := make(map[int]record.Capacity, len(was.Capacities))
	for _, c := range was.Capacities {
		before[c.SeriesNumber] = c
	}
	for _, c := range now.Capacities {
		old, known := before[c.SeriesNumber]
		if !known {
			continue
		}
		out.add(capacityName(c), h.show(old.Load), h.show(c.Load))
		out.add("end of series "+fmt.Sprint(c.SeriesNumber), bundle.Plain(old.EndReason), bundle.Plain(c.EndReason))
	}
	out.add("rules of the engine", was.Engine, now.Engine)
	h.handResults(&out, was.Hands, now.Hands)
	positionResults(&out, was.Positions, now.Positions)
	out.add("strength level", overall(was), overall(now))
	out.add("job match", outcome(was), outcome(now))
	out.add("screening", screened(was), screened(now))
	out.add("session", completeness(was), completeness(now))
	return out
}

func handName(x record.HandStrength) string {
	return string(x.Hand) + " " + bundle.Plain(x.Measure)
}

// handResults says what changed in the strength of hands, series by series.
func (h *historian) handResults(c *changes, was, now []record.HandStrength) {
	number := func(x *record.HandStrength) int { return x.SeriesNumber }
	for i := range now {
		if old := seriesIn(was, now[i].SeriesNumber, number); old != nil {
			c.add(handName(now[i])+" strength", h.show(&old.Strength), h.show(&now[i].Strength))
		}
	}
}

// positionResults says what changed in the tolerance of positions, series by series.
func positionResults(c *changes, was, now []record.PositionTolerance) {
	number := func(x *record.PositionTolerance) int { return x.SeriesNumber }
	for i := range now {
		if old := seriesIn(was, now[i].SeriesNumber, number); old != nil {
			c.add("tolerance of "+bundle.Plain(now[i].Position), bundle.Plain(old.Tolerance), bundle.Plain(now[i].Tolerance))
		}
	}
}

func screened(f record.Finding) string {
	if f.Screening == nil {
		return "not assessed"
	}
	return bundle.Plain(f.Screening.Status)
}

func overall(f record.Finding) string {
	if f.Overall == nil {
		return "none"
	}
	return bundle.Plain(f.Overall.Level)
}

func outcome(f record.Finding) string {
	if f.Job == nil {
		return "none"
	}
	return bundle.Plain(f.Job.Outcome)
}

func completeness(f record.Finding) string {
	if f.Complete {
		return "complete"
	}
	return "incomplete"
}

// trialChanges says what changed in a trial.
func (h *historian) trialChanges(was revision, series, number int) changes {
	old, new := trialIn(was.session, series, number), trialIn(h.before.session, series, number)
	if old == nil || new == nil {
		return changes{"the trial cannot be shown"}
	}
	var out changes
	out.add("load", h.show(&old.Load), h.show(&new.Load))
	out.add("repetitions", fmt.Sprint(old.Repetitions), fmt.Sprint(new.Repetitions))
	out.add("heart rate", beats(old.HeartRate), beats(new.HeartRate))
	out.add("heart rate before", beats(old.StartHeartRate), beats(new.StartHeartRate))
	out.add("steady heart rate", beats(old.SteadyHeartRate), beats(new.SteadyHeartRate))
	out.add("heart rate trace", traced(old.Trace), traced(new.Trace))
	out.add("effort rating", effort(old.Effort), effort(new.Effort))
	out.add("sustainable", yes(old.Sustainable), yes(new.Sustainable))
	out.add("more possible", yes(old.MorePossible), yes(new.MorePossible))
	out.add("mechanics signs", signs(old.Signs), signs(new.Signs))
	out.add("symptoms", symptoms(old.Symptoms), symptoms(new.Symptoms))
	out.add("recipe", orNone(strings.Join(old.InsertCodes, "+")), orNone(strings.Join(new.InsertCodes, "+")))
	out.add("blinded", fmt.Sprint(old.Blinded), fmt.Sprint(new.Blinded))
	out.add("closed because", orNone(old.ClosedReason), orNone(new.ClosedReason))
	out.add("time", old.At.String(), new.At.String())
	return out
}

// traced says which trace it is, without its readings.
func traced(t *record.HeartRateTrace) string {
	if t == nil {
		return "none"
	}
	readings, _ := t.Readings()
	sum := canon.Digest(nil, []byte(t.Changes))
	return fmt.Sprintf("%d readings from %s (digest %x)", len(readings), t.StartedAt, sum[:4])
}

func trialIn(s record.Session, series, number int) *record.Trial {
	for i := range s.Series {
		if s.Series[i].Number != series {
			continue
		}
		for j := range s.Series[i].Trials {
			if s.Series[i].Trials[j].Number == number {
				return &s.Series[i].Trials[j]
			}
		}
	}
	return nil
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

func beats(n *int) string {
	if n == nil {
		return "none"
	}
	return fmt.Sprint(*n)
}

func effort(e *record.Effort) string {
	if e == nil {
		return "none"
	}
	return e.String()
}

func yes(b *bool) string {
	switch {
	case b == nil:
		return "not said"
	case *b:
		return "yes"
	}
	return "no"
}

func signs(list []record.MechanicsSign) string {
	var out []string
	for _, s := range list {
		out = append(out, fmt.Sprintf("%s %d", bundle.Plain(s.Sign), s.Grade))
	}
	return orNone(strings.Join(out, " and "))
}

func symptoms(list []record.Symptom) string {
	var out []string
	for _, s := range list {
		out = append(out, bundle.Plain(s))
	}
	return orNone(strings.Join(out, " and "))
}
