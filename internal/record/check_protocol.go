package record

import "ponderal.example/internal/fault"

// minEffortStop is the lowest rating that may end a series: 1.
const minEffortStop Effort = 2

// CheckProtocol checks a protocol before it is published: loads and increments are more than nothing, the ceiling lets the first trial be
// done, steps rise from the rating 0, a heart-rate limit has one form and the formula that this form needs, and the effort stop
// is a rating from 1 to 10.
func CheckProtocol(p Protocol, at string) []fault.Violation {
	var k checker
	k.demand(!p.StartLoad.IsZero(), at+".start_load", "protocol.load_positive", "the start load is more than nothing")
	k.demand(p.LoadCeiling == nil || !p.LoadCeiling.Less(p.StartLoad), at+".load_ceiling", "protocol.ceiling", "the load ceiling is not below the start load")
	k.demand(p.EffortStop >= minEffortStop && p.EffortStop <= EffortMax, at+".effort_stop", "protocol.effort_stop", "the effort stop is a rating from 1 to 10")
	k.steps(p.Steps, at)
	if p.HeartRateLimit != nil {
		k.heartRateLimit(p.HeartRateLimit, at+".heart_rate_limit")
	}
	return k.found
}

func (c *checker) steps(steps []LoadStep, at string) {
	for i := range steps {
		path := item(at, "steps", i)
		if i == 0 {
			c.demand(steps[i].FromEffort == 0, path+".from_effort_rating", "protocol.steps_from_zero", "the first step applies from the rating 0")
		} else {
			c.demand(steps[i-1].FromEffort < steps[i].FromEffort, path+".from_effort_rating", "protocol.steps_ascending", "steps stand by rising effort rating, each rating once")
		}
		c.demand(!steps[i].Increment.IsZero(), path+".increment", "protocol.increment_positive", "an increment is more than nothing")
	}
}

func (c *checker) heartRateLimit(l *HeartRateLimit, at string) {
	forms := 0
	for _, n := range []int{l.BPM, l.PercentOfPredicted, l.PercentOfReserve} {
		if n != 0 {
			forms++
		}
	}
	c.demand(forms == 1, at, "protocol.heart_rate_limit", "a heart-rate limit has exactly one form")
	percent := l.PercentOfPredicted != 0 || l.PercentOfReserve != 0
	c.demand(!percent || l.Formula != "", at+".formula", "protocol.formula", "a percentage of the predicted maximum or of the reserve needs a formula")
}
