package record

import (
	"slices"

	"ponderal.example/internal/fault"
)

// minEffortStop is the lowest rating that may end a series: 1.
const minEffortStop Effort = 2

// CheckProtocol checks a protocol before it is published: loads and increments are more than nothing, the ceiling lets the first trial be
// done, steps rise from the rating 0, a heart-rate limit has one form and the formula that this form needs, and the effort stop
// is a rating from 1 to 10. A formula that was published for one sex stands in a protocol for that sex or for both. Of what a protocol may have besides: the back-off is more than nothing, mechanics stop a series at grade 2 or 3,
// minutes need a pace and make the repetitions, screening limits something, a calibration lasts a day at least, a ceiling by the compression of the spine has a zone in which there is an
// estimate, a lift or a carry, and a standard error is more than nothing and at most 100 kg.
func CheckProtocol(p Protocol, at string) []fault.Violation {
	var k checker
	k.member(!p.StartLoad.IsZero(), at, ".start_load", "protocol.load_positive", "the start load is more than nothing")
	k.member(p.LoadCeiling == nil || !p.LoadCeiling.Less(p.StartLoad), at, ".load_ceiling", "protocol.ceiling", "the load ceiling is not below the start load")
	k.member(p.EffortStop >= minEffortStop && p.EffortStop <= EffortMax, at, ".effort_stop", "protocol.effort_stop", "the effort stop is a rating from 1 to 10")
	k.steps(p.Steps, at)
	if p.HeartRateLimit != nil {
		k.heartRateLimit(p.HeartRateLimit, at+".heart_rate_limit")
	}
	if p.HeartRateStartLimit != nil {
		k.heartRateLimit(p.HeartRateStartLimit, at+".heart_rate_start_limit")
	}
	k.formulaSex(p.HeartRateLimit, p.AppliesToSex, at+".heart_rate_limit")
	k.formulaSex(p.HeartRateStartLimit, p.AppliesToSex, at+".heart_rate_start_limit")
	k.more(&p, at)
	k.mechanical(&p, at)
	return k.found
}

// more checks what a protocol may have besides its loads, its steps and its heart-rate limits.
func (c *checker) more(p *Protocol, at string) {
	c.member(p.BackOff == nil || p.BackOff.Units() > 0, at, ".back_off", "protocol.back_off_positive", "a back-off is more than nothing")
	grade := p.StopMechanicsGrade
	c.member(grade == 0 || grade == 2 || grade == 3, at, ".stop_mechanics_grade", "protocol.stop_mechanics_grade", "mechanics stop a series at grade 2 or 3")
	c.member(p.Minutes == 0 || p.LiftsPerMinute > 0, at, ".minutes", "protocol.minutes_need_pace", "a trial of so many minutes has a number of lifts per minute")
	if p.Minutes > 0 && p.LiftsPerMinute > 0 {
		c.member(p.Repetitions == p.Minutes*p.LiftsPerMinute, at, ".repetitions", "protocol.repetitions_by_pace", "the repetitions are the lifts per minute times the minutes")
	}
	if l := p.ScreeningLimits; l != nil {
		c.member(l.RestingHeartRate > 0 || l.Systolic > 0 || l.Diastolic > 0, at, ".screening_limits", "protocol.screening_limits", "screening limits something")
		c.member(l.Systolic == 0 || l.Diastolic < l.Systolic, at, ".screening_limits.diastolic_mmhg", "protocol.screening_pressures", "the diastolic limit is below the systolic")
	}
	c.member(p.Calibration == nil || p.Calibration.Days > 0, at, ".calibration.days", "protocol.calibration_days", "a calibration lasts a day at least")
}

// maxStandardError is the highest standard error of a capacity that is believed, 100 kg.
var maxStandardError = kilograms(100)

// mechanical checks the ceiling by compression and the error of the capacity.
func (c *checker) mechanical(p *Protocol, at string) {
	if p.Compression != nil {
		// The model of the body has hands at the ends of a lift or at a carry, none at a push or a pull (engine/body).
		some := slices.ContainsFunc(p.Zones, func(z Zone) bool { return z.Lifting() || z == Carry })
		c.member(some, at, ".compression", "protocol.compression_zone", "a ceiling by compression needs a zone that is a lift or a carry")
	}
	if e := p.CapacityError; e != nil {
		sound := e.StandardError.Units() > 0 && !maxStandardError.Less(e.StandardError)
		c.member(sound, at, ".capacity_error.standard_error", "protocol.capacity_error", "a standard error of measurement is more than nothing and at most 100 kg")
	}
}

// formulaSex: a formula published for one sex predicts nothing for the other.
func (c *checker) formulaSex(l *HeartRateLimit, sex Sex, at string) {
	if l == nil || sex == "" {
		return
	}
	if of := l.Formula.Sex(); of != "" && of != sex {
		c.member(false, at, ".formula", "protocol.formula_sex", "the formula is for the sex that the protocol applies to")
	}
}

func (c *checker) steps(steps []LoadStep, at string) {
	for i := range steps {
		// The path is made only where it is told: advice checks a protocol each time.
		if i == 0 && steps[i].FromEffort != 0 {
			c.demand(false, item(at, "steps", i)+".from_effort_rating", "protocol.steps_from_zero", "the first step applies from the rating 0")
		}
		if i > 0 && steps[i-1].FromEffort >= steps[i].FromEffort {
			c.demand(false, item(at, "steps", i)+".from_effort_rating", "protocol.steps_ascending", "steps stand by rising effort rating, each rating once")
		}
		if steps[i].Increment.IsZero() {
			c.demand(false, item(at, "steps", i)+".increment", "protocol.increment_positive", "an increment is more than nothing")
		}
	}
}

func (c *checker) heartRateLimit(l *HeartRateLimit, at string) {
	forms := 0
	for _, n := range [...]int{l.BPM, l.PercentOfPredicted, l.PercentOfReserve} {
		if n != 0 {
			forms++
		}
	}
	c.demand(forms == 1, at, "protocol.heart_rate_limit", "a heart-rate limit has exactly one form")
	if (l.PercentOfPredicted != 0 || l.PercentOfReserve != 0) && l.Formula == "" {
		c.member(false, at, ".formula", "protocol.formula", "a percentage of the predicted maximum or of the reserve needs a formula")
	}
}
