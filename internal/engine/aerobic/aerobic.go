// Package aerobic estimates what the heaviest work of a series asked of heart and lungs: the share of the heart-rate reserve, and for how long
// work of that share is within a published criterion.
//
// The share of the heart-rate reserve stands for the share of the oxygen-uptake reserve (Swain and Leutholtz, Med Sci Sports Exerc
// 1997;29:410-414: from memory); the criterion is of the maximum aerobic capacity, from which the reserve differs by what a person takes up at
// rest. The maximum heart rate is predicted, with a spread of ten beats or so between people, so that the share may be off by a tenth in either
// direction, and more than work moves a heart rate. It is an estimate for the design of work, no test of fitness and no safe limit for a
// person, and it supports a licensed clinician's judgement without replacing it.
package aerobic

import (
	"strconv"

	"ponderal.example/internal/engine/heartrate"
	"ponderal.example/internal/record"
)

// Source names the criterion and what the share rests on.
const Source = "Energy criterion of the revised lifting equation: 50, 40 and 33 % of the maximum aerobic capacity for 1 h, 1 to 2 h and 2 to 8 h " +
	"(Waters, Putz-Anderson, Garg, Fine, Ergonomics 1993;36(7):749-776: from memory); " +
	"the share of the heart-rate reserve stands for that of the oxygen-uptake reserve (Swain, Leutholtz, Med Sci Sports Exerc 1997;29:410-414: from memory)"

// criterion is the highest share in percent for each length of work, longest first (Waters et al. 1993: from memory).
var criterion = [...]struct {
	percent int64
	lasts   string
}{{33, "8 h"}, {40, "2 h"}, {50, "1 h"}}

const beyond = "less than 1 h"

// Of finds the demand at the capacity of a series: the steady heart rate of the last trial by number that was accepted at the capacity's load and
// has one, as a share of the reserve between the resting heart rate and the predicted maximum. The percentage is rounded to one decimal,
// halves up, and never below nothing; the criterion is held against the share before rounding, its bounds included.
//
// Nil where there is nothing to say: no capacity, no steady heart rate there, no resting heart rate, a maximum that cannot be predicted for the
// person or is not above the resting heart rate; and under a rate-limiting drug, which makes the reserve another one.
func Of(trials []record.Trial, c *record.Capacity, formula record.HeartRateFormula, person record.Person, s record.Screening) *record.AerobicDemand {
	if s.RateLimitingDrug || s.RestingHeartRate == nil {
		return nil
	}
	highest, missing := heartrate.Predicted(formula, person)
	rest := heartrate.BPM(*s.RestingHeartRate)
	t := trialAt(trials, c)
	if missing != "" || highest <= rest || t == nil {
		return nil
	}
	used, reserve := int64(heartrate.BPM(*t.SteadyHeartRate)-rest), int64(highest-rest)
	return &record.AerobicDemand{
		Trial:            t.Number,
		SteadyHeartRate:  *t.SteadyHeartRate,
		PercentOfReserve: percent(used, reserve),
		SustainableFor:   sustainable(used, reserve),
		Source:           Source,
	}
}

// trialAt is the last trial by number that was accepted at the capacity's load and has a steady heart rate.
func trialAt(trials []record.Trial, c *record.Capacity) *record.Trial {
	if c == nil || c.Load == nil {
		return nil
	}
	var last *record.Trial
	for i := range trials {
		t := &trials[i]
		if t.SteadyHeartRate != nil && t.Load == *c.Load && (last == nil || t.Number > last.Number) && accepted(c, t.Number) {
			last = t
		}
	}
	return last
}

func accepted(c *record.Capacity, number int) bool {
	for i := range c.Trials {
		if c.Trials[i].Number == number {
			return c.Trials[i].Status == record.TrialAccepted
		}
	}
	return false
}

// percent writes used/reserve in percent with one decimal. Both are hundred-thousandths of a beat, at most a few tens of millions.
func percent(used, reserve int64) string {
	tenths := (2*1000*max(used, 0) + reserve) / (2 * reserve)
	return strconv.FormatInt(tenths/10, 10) + "." + strconv.FormatInt(tenths%10, 10)
}

func sustainable(used, reserve int64) string {
	for _, c := range criterion {
		if 100*used <= c.percent*reserve {
			return c.lasts
		}
	}
	return beyond
}
