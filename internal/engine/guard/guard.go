// Package guard evaluates the work guards: the limits that a trial must have respected once it was done. All that fail are listed,
// gravest first; what they mean for the trial is the business of package accept, for the series that of package capacity.
package guard

import (
	"strconv"

	"ponderal.example/internal/engine/heartrate"
	"ponderal.example/internal/record"
)

// The grades of a mechanics sign. One at UnsafeGrade voids the trial and ends the series, and so does one at MarkedGrade where the
// protocol says so; what is below marks the approach to the maximum and breaks no limit.
const (
	MarkedGrade = 2
	UnsafeGrade = 3
)

// Limits are a protocol's limits worked out for one person on one day.
type Limits struct {
	repetitions     int
	effortStop      record.Effort
	ceilings        ceilings
	rate            heartrate.Rate
	hasRate         bool
	rateMissing     heartrate.Missing
	rateLimitDrug   bool
	requiresRate    bool
	requiresRating  bool
	protocolHasRate bool
	stopGrade       int
	requiresMore    bool

	// The rest is of rules 2.

	startRate       heartrate.Rate
	startMissing    heartrate.Missing
	limitsStartRate bool
	calibration     calibration
}

// LimitsOf works out the limits by rules 1. Under a rate-limiting drug a heart rate within its limit proves little, so the effort rating is
// required whatever the protocol says: fail closed, lean on effort.
//
// What rules 1 said is said for ever: of the ceilings they know the protocol's load alone, of the formulae for a maximum heart rate those of 1971
// and 2001; the others are to them no formula.
func LimitsOf(p *record.Protocol, person record.Person, s record.Screening) Limits {
	l := limitsOf(p, s)
	l.ceilings.protocol(p)
	if limit := p.HeartRateLimit; limit != nil {
		known := *limit
		if known.Formula != record.Fox1971 && known.Formula != record.Tanaka2001 {
			known.Formula = ""
		}
		l.work(known, person, s)
	}
	return l
}

// limitsOf has what needs no working out.
func limitsOf(p *record.Protocol, s record.Screening) Limits {
	l := Limits{
		repetitions:    p.Repetitions,
		effortStop:     p.EffortStop,
		rateLimitDrug:  s.RateLimitingDrug,
		requiresRate:   p.RequiresHeartRate,
		requiresRating: p.RequiresEffortRating || s.RateLimitingDrug,
		stopGrade:      UnsafeGrade,
		requiresMore:   p.RequiresMorePossible,
	}
	if p.StopMechanicsGrade == MarkedGrade {
		l.stopGrade = MarkedGrade
	}
	return l
}

func (l *Limits) work(limit record.HeartRateLimit, person record.Person, s record.Screening) {
	l.protocolHasRate = true
	l.rate, l.rateMissing = heartrate.Limit(limit, person, s.RestingHeartRate)
	l.hasRate = l.rateMissing == ""
}

// LimitsHeartRate reports whether the protocol limits the heart rate at all.
func (l *Limits) LimitsHeartRate() bool { return l.protocolHasRate }

// RequiresRating reports whether a trial without an effort rating is incomplete.
func (l *Limits) RequiresRating() bool { return l.requiresRating }

// Work lists the limits that a trial did not respect, gravest first, in the order of Rank. It depends on neither the order of signs
// nor that of symptoms nor that of insert codes.
//
//   - symptom, mechanics grade 3 (or 2, where the protocol says so) and a heart rate above the limit void the trial and end the series;
//   - an effort rating at or above the stop and a load above the ceiling end the series and leave the trial as it is;
//   - a load that the client calls not sustainable voids the trial; that, or no more being possible, ends the series;
//   - too few repetitions void the trial and by themselves say nothing about why;
//   - by rules 2, a heart rate above the limit with which a trial may begin, and a piece of the load that was weighed too long ago, say
//     that the trial should have waited; they neither void it nor end the series;
//   - a rate-limiting drug is noted on each trial whose heart rate passed: the pass proves little;
//   - a missing measurement leaves the trial open.
//
// This is the order of the list, too: symptom, mechanics, heart rate, effort, ceiling, acceptability; then repetitions, which only void;
// then what only tells: start heart rate, calibration, drug, missing measurement.
func (l *Limits) Work(t *record.Trial) []record.GuardHit {
	var hits []record.GuardHit
	if len(t.Symptoms) > 0 {
		hits = append(hits, record.GuardHit{Guard: record.GuardSymptom, Measured: SymptomText(t.Symptoms), Limit: "none", Voids: true, Ends: true})
	}
	if text, stops := l.gradeText(t.Signs); stops {
		hits = append(hits, record.GuardHit{Guard: record.GuardMechanics, Measured: text, Limit: "grade " + strconv.Itoa(l.stopGrade-1), Voids: true, Ends: true})
	}
	passedUnderDrug := false
	if t.HeartRate != nil && l.hasRate {
		if l.rate.Above(*t.HeartRate) {
			hits = append(hits, heartRateHit(record.GuardHeartRateWork, *t.HeartRate, l.rate, true))
		} else {
			passedUnderDrug = l.rateLimitDrug
		}
	}
	if t.Effort != nil && *t.Effort >= l.effortStop {
		hits = append(hits, record.GuardHit{Guard: record.GuardEffortStop, Measured: t.Effort.String() + " of 10", Limit: l.effortStop.String() + " of 10", Ends: true})
	}
	if c := l.ceilings.lowest(); c != nil && c.load.Less(t.Load) {
		hits = append(hits, record.GuardHit{Guard: record.GuardLoadCeiling, Measured: t.Load.String(), Limit: c.limitText(), Ends: true})
	}
	if text, voids, fails := clientText(t); fails {
		hits = append(hits, record.GuardHit{Guard: record.GuardAcceptability, Measured: text, Voids: voids, Ends: true})
	}
	if t.Repetitions < l.repetitions {
		hits = append(hits, record.GuardHit{Guard: record.GuardRepetitions, Measured: strconv.Itoa(t.Repetitions), Limit: strconv.Itoa(l.repetitions), Voids: true})
	}
	hits = l.shouldHaveWaited(hits, t)
	if passedUnderDrug {
		hits = append(hits, heartRateHit(record.GuardRateLimitingDrug, *t.HeartRate, l.rate, false))
	}
	if missing := l.missing(t); missing != "" {
		hits = append(hits, record.GuardHit{Guard: record.GuardMissingMeasurement, Limit: missing})
	}
	return hits
}

func heartRateHit(guard string, bpm int, limit heartrate.Rate, fails bool) record.GuardHit {
	return record.GuardHit{Guard: guard, Measured: heartrate.BPM(bpm).String(), Limit: limit.String(), Voids: fails, Ends: fails}
}

// missing names the required measurements that a trial lacks, separated by commas. Whether the load could be sustained is always
// required: without it the trial can be neither accepted nor failed. What the heart-rate limit itself lacks is required too, for
// otherwise no heart rate could be held against it.
func (l *Limits) missing(t *record.Trial) string {
	text := ""
	note := func(absent bool, name string) {
		switch {
		case !absent:
		case text == "":
			text = name
		default:
			text += ", " + name
		}
	}
	note(l.requiresRate && t.HeartRate == nil, "heart rate")
	note(l.requiresRating && t.Effort == nil, "effort rating")
	note(t.Sustainable == nil, "acceptability")
	note(l.requiresMore && t.MorePossible == nil, "whether more is possible")
	note(l.rateMissing != "", string(l.rateMissing))
	return text
}

// clientText says what the client answered where it breaks the acceptability guard.
func clientText(t *record.Trial) (text string, voids, fails bool) {
	unsustainable := t.Sustainable != nil && !*t.Sustainable
	noMore := t.MorePossible != nil && !*t.MorePossible
	switch {
	case unsustainable && noMore:
		return "not sustainable, no more possible", true, true
	case unsustainable:
		return "not sustainable", true, true
	case noMore:
		return "no more possible", false, true
	}
	return "", false, false
}
