package score

import (
	"strconv"
	"strings"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/engine/hands"
	"ponderal.example/internal/engine/positions"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/record"
)

// The codes of remarks that came with rules 2; "limits" as above.
const (
	// RemarkScreeningNotPassed: a limit of the screening was not respected or a red flag seen, and no override recorded; limits.
	RemarkScreeningNotPassed = "screening_not_passed"
	// RemarkScreeningIncomplete: a value that a protocol limits was not measured before the session; limits.
	RemarkScreeningIncomplete = "screening_incomplete"
	// RemarkStartedAboveHeartRate: a trial began with a heart rate above the protocol's limit for that; limits.
	RemarkStartedAboveHeartRate = "started_above_heart_rate_limit"
	// RemarkCalibrationLapsed: a load was made of pieces whose weighing is too old; limits where the protocol blocks them.
	RemarkCalibrationLapsed = "calibration_lapsed"
	// RemarkCeilingNotWorkedOut: a ceiling of the protocol could not be worked out; limits.
	RemarkCeilingNotWorkedOut = "ceiling_not_worked_out"
	// RemarkSymptomInFurtherSeries: a symptom in a hand or position series; limits.
	RemarkSymptomInFurtherSeries = "symptom_in_further_series"
	// RemarkRatedAboveObserved: a position was judged to be tolerated more than was observed; the lower stands.
	RemarkRatedAboveObserved = "rated_above_observed"
	// RemarkStartRateNotChecked: the limit for the heart rate at the start of a trial could not be worked out.
	RemarkStartRateNotChecked = "start_heart_rate_not_checked"
	// RemarkPaceProjected: levels that rest on projected capacities.
	RemarkPaceProjected = "pace_projected"
)

func (n *notes) screening(f *record.ScreeningFinding, s *record.Screening) {
	switch f.Status {
	case record.ScreeningNotPassed:
		n.limit(RemarkScreeningNotPassed, "The screening before the session was not passed, and no licensed clinician's override is recorded. Not within limits: "+hitsText(f.Guards)+".")
	case record.ScreeningIncomplete:
		n.limit(RemarkScreeningIncomplete, "The screening before the session is incomplete. Limited by a protocol and not measured: "+strings.Join(f.Missing, ", ")+".")
	case record.ScreeningPassed, record.ScreeningOverridden, record.ScreeningNotLimited:
	}
	more := ""
	if s.OverrideBy == "" {
		more = " Who answers for it is not recorded."
	}
	n.overridden(s, more)
}

func hitsText(hits []record.GuardHit) string {
	texts := make([]string, len(hits))
	for i, h := range hits {
		texts[i] = h.Measured
		if h.Limit != "" {
			texts[i] += " (limit " + h.Limit + ")"
		}
	}
	return strings.Join(texts, "; ")
}

// further notes what the guards of rules 2 say of a series.
func (n *notes) further(c *record.Capacity, l *guard.Limits) {
	if guarded(c) {
		n.shouldHaveWaited(c, l)
	}
	for i := range c.Ceilings {
		if c.Ceilings[i].Load == nil {
			n.limit(RemarkCeilingNotWorkedOut, name(c)+": a load ceiling of the protocol was not checked ("+c.Ceilings[i].Text+").")
		}
	}
	if missing := l.StartRateMissing(); missing != "" {
		n.tell(RemarkStartRateNotChecked, name(c)+": the protocol's limit for the heart rate at the start of a trial could not be worked out; missing: "+string(missing)+".")
	}
}

// shouldHaveWaited names the trials that a limit before them should have kept from being done.
func (n *notes) shouldHaveWaited(c *record.Capacity, l *guard.Limits) {
	n.trials(RemarkStartedAboveHeartRate, c, " began with a heart rate above the protocol's limit for the start of a trial.", func(i int) bool {
		return hit(c, i, record.GuardHeartRateStart)
	})
	say := n.tell
	if l.BlocksCalibration() {
		say = n.limit
	}
	if text := named(c, func(i int) bool { return hit(c, i, record.GuardCalibration) }); text != "" {
		say(RemarkCalibrationLapsed, text+" was handled with a piece of the kit whose last weighing does not fit the protocol's limit.")
	}
}

// furtherSymptoms names the hand and position series in which a symptom was noted.
func (n *notes) furtherSymptoms(handSeries []record.HandSeries, positionSeries []record.PositionSeries) {
	if number, ok := hands.Symptom(handSeries); ok {
		n.limit(RemarkSymptomInFurtherSeries, "A symptom was noted in hand series "+strconv.Itoa(number)+".")
	}
	for _, number := range positions.Symptom(positionSeries) {
		n.limit(RemarkSymptomInFurtherSeries, "A symptom was noted in position series "+strconv.Itoa(number)+".")
	}
}

func (n *notes) rated(found []record.PositionTolerance) {
	for _, t := range found {
		if positions.RatingAbove(t) {
			n.tell(RemarkRatedAboveObserved, "Position series "+strconv.Itoa(t.SeriesNumber)+" ("+plainWords(string(t.Position))+"): judged "+string(t.Rating)+
				", observed "+string(t.Observed)+"; the lower stands.")
		}
	}
}

// pacesProjected names the zones whose level rests on projections, and those whose paces nobody knows.
func (n *notes) pacesProjected(zones []record.ZoneStrength, projected []record.ProjectedCapacity, ch *capacity.Chosen) {
	var estimated, unknown paceList
	for _, pace := range [...]record.Pace{record.Occasional, record.Frequent, record.Constant} {
		for i := range zones {
			switch z := zones[i].Zone; {
			case ch.At(z, pace) != nil:
			case project.Find(projected, z, pace) != nil:
				estimated.add(z, pace)
			default:
				unknown.add(z, pace)
			}
		}
	}
	if len(estimated.text) > 0 {
		n.tell(RemarkPaceProjected, "Projected and not measured: "+string(estimated.text)+". A projection is an estimate by a rule; measure the pace where the decision depends on it.")
	}
	if len(unknown.text) > 0 {
		n.tell(RemarkPaceNotMeasured, "Not measured and not projected: "+string(unknown.text)+". The strength levels rest on the other paces.")
	}
}

// paceList is "frequent in carry, push; constant in carry".
type paceList struct {
	text []byte
	last record.Pace
}

func (l *paceList) add(z record.Zone, pace record.Pace) {
	switch {
	case l.last == pace:
		l.text = append(l.text, ", "...)
	case l.last == "":
		l.text = append(append(make([]byte, 0, 256), pace...), " in "...)
	default:
		l.text = append(append(append(l.text, "; "...), pace...), " in "...)
	}
	l.last = pace
	l.text = append(l.text, plain(string(z))...)
}

func plainWords(word string) string { return strings.ReplaceAll(word, "_", " ") }
