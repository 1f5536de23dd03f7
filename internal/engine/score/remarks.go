package score

import (
	"slices"
	"strconv"
	"strings"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/record"
)

// The codes of remarks. Those marked "limits" lower a recommendation of meets to meets with limits: every task is within, but the day's
// measurements carry a caveat that the reviewer has to weigh.
const (
	// RemarkHeartRateNotTrustworthy: a rate-limiting drug; limits.
	RemarkHeartRateNotTrustworthy = "heart_rate_not_trustworthy"
	// RemarkScreeningOverridden: a licensed clinician let the test go on after a failed screening; limits.
	RemarkScreeningOverridden = "screening_overridden"
	// RemarkSeriesIncomplete: nothing tells why a series ended; limits.
	RemarkSeriesIncomplete = "series_incomplete"
	// RemarkTrialIncomplete: a trial lacks a required measurement and was neither repeated nor closed; limits.
	RemarkTrialIncomplete = "trial_incomplete"
	// RemarkContinuedAfterStop: a heavier load was handled after a trial that should have ended the series; limits.
	RemarkContinuedAfterStop = "continued_after_stop"
	// RemarkContinuedAfterSymptom: trials of other series followed on a symptom, which ends a session; limits.
	RemarkContinuedAfterSymptom = "continued_after_symptom"
	// RemarkLoadAboveCeiling: a load above the protocol's ceiling was handled; limits.
	RemarkLoadAboveCeiling = "load_above_ceiling"
	// RemarkHeartRateNotMeasured: a protocol's heart-rate limit could not be checked on a trial, whose heart rate it does not require; limits.
	RemarkHeartRateNotMeasured = "heart_rate_not_measured"
	// RemarkEffortNotRated: the same for the effort stop; limits.
	RemarkEffortNotRated = "effort_not_rated"
	// RemarkSeriesRepeated: several series share a zone and a pace; says which one stands.
	RemarkSeriesRepeated = "series_repeated"
	// RemarkPaceNotMeasured: levels that rest on fewer paces than the table has.
	RemarkPaceNotMeasured = "pace_not_measured"
	// RemarkJobZoneNotTested: a zone that the job needs was not tested, so there is no overall level.
	RemarkJobZoneNotTested = "job_zone_not_tested"
	// RemarkMatchedAtHarderPace: a task was matched by a capacity at a harder pace.
	RemarkMatchedAtHarderPace = "matched_at_harder_pace"
)

// notes gathers the remarks in a fixed order: of the session, of each series by number, of the finding.
type notes struct {
	remarks []record.Remark
	limited bool
}

func (n *notes) limit(code, text string) {
	n.limited = true
	n.tell(code, text)
}

func (n *notes) tell(code, text string) {
	n.remarks = append(n.remarks, record.Remark{Code: code, Text: text})
}

func (n *notes) drug(in *Input) {
	if in.Session.Screening.RateLimitingDrug {
		n.limit(RemarkHeartRateNotTrustworthy, "The client takes a drug that limits the heart rate. A heart rate above a limit still ends a series; "+
			"a heart rate within it proves little. An effort rating was required of every trial: rely on effort and on signs and symptoms.")
	}
}

func (n *notes) overridden(s *record.Screening, more string) {
	if s.OverrideReason != "" {
		n.limit(RemarkScreeningOverridden, "The screening before the session was overridden by a licensed clinician; the reason is recorded with the session."+more)
	}
}

// series notes what a reader of one capacity must know.
func (n *notes) series(trials []record.Trial, c *record.Capacity) {
	if c.EndReason == record.EndIncomplete {
		n.limit(RemarkSeriesIncomplete, name(c)+" was not brought to an end: its last trial lacks a required measurement, or nothing recorded tells why it ended.")
	}
	n.trials(RemarkTrialIncomplete, c, " lacks a required measurement; complete it, repeat it or close it with a reason.", func(i int) bool {
		return capacity.Unresolved(trials, c.Trials, i)
	})
	if !guarded(c) {
		return
	}
	n.trials(RemarkContinuedAfterStop, c, " should have ended the series, but a heavier load followed.", func(i int) bool {
		return capacity.ContinuedAfter(trials, c.Trials, i)
	})
}

func (n *notes) aboveCeiling(c *record.Capacity, text string) {
	if !guarded(c) {
		return
	}
	n.trials(RemarkLoadAboveCeiling, c, text, func(i int) bool { return hit(c, i, record.GuardLoadCeiling) })
}

// guarded reports whether any trial ran into a limit.
func guarded(c *record.Capacity) bool {
	for i := range c.Trials {
		if len(c.Trials[i].Guards) > 0 {
			return true
		}
	}
	return false
}

func hit(c *record.Capacity, i int, guard string) bool {
	return slices.ContainsFunc(c.Trials[i].Guards, func(h record.GuardHit) bool { return h.Guard == guard })
}

// unchecked names the trials on which a limit could not be checked.
func (n *notes) unchecked(trials []record.Trial, p *record.Protocol, l *guard.Limits, c *record.Capacity) {
	if l.LimitsHeartRate() && !p.RequiresHeartRate {
		n.trials(RemarkHeartRateNotMeasured, c, " has no heart rate; the protocol's limit was not checked there.", func(i int) bool {
			return trials[i].HeartRate == nil
		})
	}
	if !l.RequiresRating() {
		n.trials(RemarkEffortNotRated, c, " has no effort rating; the protocol's effort stop was not checked there.", func(i int) bool {
			return trials[i].Effort == nil
		})
	}
}

// symptom names the series that went on after a symptom in another series. Series are given by number.
func (n *notes) symptom(series []*record.Series) {
	at, in := firstSymptom(series)
	var later []string
	for _, s := range series {
		if in != nil && s != in && goesOnAfter(s, at) {
			later = append(later, strconv.Itoa(s.Number))
		}
	}
	if len(later) > 0 {
		n.limit(RemarkContinuedAfterSymptom, "A symptom in series "+strconv.Itoa(in.Number)+" should have ended the session, but trials followed in series "+strings.Join(later, ", ")+".")
	}
}

func goesOnAfter(s *record.Series, at record.Time) bool {
	for i := range s.Trials {
		if at.Before(s.Trials[i].At) {
			return true
		}
	}
	return false
}

// firstSymptom is the earliest trial with a symptom, or the last trial of a series that was stopped for one; nil when there is none.
func firstSymptom(series []*record.Series) (at record.Time, in *record.Series) {
	for _, s := range series {
		trials := capacity.Ordered(s.Trials)
		for i := range trials {
			stopped := s.Stop == record.StopSymptom && i == len(trials)-1
			if (stopped || len(trials[i].Symptoms) > 0) && (in == nil || trials[i].At.Before(at)) {
				at, in = trials[i].At, s
			}
		}
	}
	return at, in
}

// trials limits by the trials that a rule names, where there are any: "Series 2 (carry, occasional): trial 3, 4 ...".
func (n *notes) trials(code string, c *record.Capacity, text string, rule func(i int) bool) {
	if who := named(c, rule); who != "" {
		n.limit(code, who+text)
	}
}

// named is "Series 2 (carry, occasional): trial 3, 4" of the trials that a rule names; empty where it names none.
func named(c *record.Capacity, rule func(i int) bool) string {
	var numbers []string
	for i := range c.Trials {
		if rule(i) {
			numbers = append(numbers, strconv.Itoa(c.Trials[i].Number))
		}
	}
	if len(numbers) == 0 {
		return ""
	}
	return name(c) + ": trial " + strings.Join(numbers, ", ")
}

// repeated says which of several series at the same zone and pace stands.
func (n *notes) repeated(capacities []record.Capacity, ch *capacity.Chosen) {
	for i := range capacities {
		c := &capacities[i]
		if stands := ch.At(c.Zone, c.Pace); stands != nil && stands != c {
			n.tell(RemarkSeriesRepeated, name(c)+" shares its zone and pace with series "+strconv.Itoa(stands.SeriesNumber)+", which stands for both.")
		}
	}
}

// paces names the zones whose level rests on fewer paces than the table of levels has.
func (n *notes) paces(zones []record.ZoneStrength, ch *capacity.Chosen) {
	text := ""
	for _, pace := range []record.Pace{record.Occasional, record.Frequent, record.Constant} {
		separator := "; " + string(pace) + " in "
		for i := range zones {
			if ch.At(zones[i].Zone, pace) == nil {
				text += separator + plain(string(zones[i].Zone))
				separator = ", "
			}
		}
	}
	if text != "" {
		n.tell(RemarkPaceNotMeasured, "The strength levels rest on the measured paces alone. Not measured: "+text[2:]+".")
	}
}

func (n *notes) untested(zones []record.Zone) {
	for _, z := range zones {
		n.tell(RemarkJobZoneNotTested, "The job needs the zone "+plain(string(z))+", which was not tested; there is no overall strength level.")
	}
}

func (n *notes) stoodIn(tasks []string) {
	for _, task := range tasks {
		n.tell(RemarkMatchedAtHarderPace, "The pace of the task \""+task+"\" was not tested; a capacity at a harder pace in the same zone reaches its load.")
	}
}

// name is a series for a reader: "Series 2 (floor-waist, occasional)".
func name(c *record.Capacity) string {
	return "Series " + strconv.Itoa(c.SeriesNumber) + " (" + plain(string(c.Zone)) + ", " + string(c.Pace) + ")"
}

func plain(word string) string { return strings.ReplaceAll(word, "_", "-") }
