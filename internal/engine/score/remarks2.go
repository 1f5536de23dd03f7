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
	// RemarkSymptomInSeries: a symptom in a series, or one that ended it; limits.
	RemarkSymptomInSeries = "symptom_in_series"
	// RemarkFailedWithinCapacity: a load failed that is not above the capacity which stands; limits.
	RemarkFailedWithinCapacity = "failed_within_capacity"
	// RemarkProtocolOfOtherSex: a protocol meant for one sex was used for the other, or without the sex on record; limits.
	RemarkProtocolOfOtherSex = "protocol_of_other_sex"
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

// symptoms names the series in which a symptom was noted, or recorded as their end: loads that were accepted before it are a caveat, whatever
// followed. Series are given by number.
func (n *notes) symptoms(series []*record.Series) {
	var numbers []string
	for _, s := range series {
		if s.Stop == record.StopSymptom || noted(s.Trials) {
			numbers = append(numbers, strconv.Itoa(s.Number))
		}
	}
	if len(numbers) > 0 {
		n.limit(RemarkSymptomInSeries, "A symptom was noted in series "+strings.Join(numbers, ", ")+". What was accepted there before it does not show that the load is safe.")
	}
}

// noted reports whether a trial has a symptom; it reads in place, since a trial is large.
func noted(trials []record.Trial) bool {
	for i := range trials {
		if len(trials[i].Symptoms) > 0 {
			return true
		}
	}
	return false
}

// appliesTo says that a protocol was used for somebody whom its loads are not meant for.
func (n *notes) appliesTo(p *record.Protocol, person record.Person, c *record.Capacity) {
	switch {
	case p.AppliesToSex == "" || person.Sex == p.AppliesToSex:
	case person.Sex == "":
		n.limit(RemarkProtocolOfOtherSex, name(c)+": the protocol's loads are meant for one sex ("+string(p.AppliesToSex)+"); the person's is not on record.")
	default:
		n.limit(RemarkProtocolOfOtherSex, name(c)+": the protocol's loads are meant for the other sex ("+string(p.AppliesToSex)+").")
	}
}

// failedWithin names the trials that failed at a load which the capacity of their own series reaches.
func (n *notes) failedWithin(trials []record.Trial, c *record.Capacity) {
	if c.Load == nil || !guarded(c) {
		return
	}
	n.trials(RemarkFailedWithinCapacity, c, " failed at a load that is not above the capacity.", func(i int) bool {
		return c.Trials[i].Status == record.TrialFailed && !c.Load.Less(trials[i].Load)
	})
}

// failedElsewhere names the series that another of the same zone and pace stands for, although a load that its capacity reaches failed in them.
func (n *notes) failedElsewhere(capacities []record.Capacity, ch *capacity.Chosen) {
	for i := range capacities {
		c := &capacities[i]
		stands := ch.At(c.Zone, c.Pace)
		if stands == nil || stands == c || stands.Load == nil || c.BracketTo == nil || stands.Load.Less(*c.BracketTo) {
			continue
		}
		n.limit(RemarkFailedWithinCapacity, name(c)+": "+c.BracketTo.String()+" failed or ended the series; the capacity of series "+
			strconv.Itoa(stands.SeriesNumber)+", which stands, is not below that.")
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
