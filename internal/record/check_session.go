package record

import (
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
)

// CheckSession checks a session by itself: it ends when or after it began; it has a series of some kind; what was measured before the tests
// passes CheckScreening and CheckBody. Series of loads are numbered 1, 2, 3 ... in their order and so are the trials of each; no trial
// begins before the one before it, none outside the session, and no series before the series before it (series may be interleaved);
// each trial passes CheckTrial. Hand series and position series are numbered among themselves, pass CheckHandSeries and
// CheckPositionSeries, and were measured within the session.
func CheckSession(s Session, at string) []fault.Violation {
	var k checker
	k.demand(!s.EndedAt.Before(s.StartedAt), at+".ended_at", "session.end", "a session does not end before it began")
	some := len(s.Series) + len(s.HandSeries) + len(s.PositionSeries)
	k.demand(some > 0, at+".series", "session.some_series", "a session has a series with loads, of the hands or of positions")
	k.screening(&s.Screening, at+".screening")
	if s.Body != nil {
		k.body(s.Body, at+".body")
	}
	for i := range s.Series {
		series := &s.Series[i]
		path := item(at, "series", i)
		k.demand(series.Number == i+1, path+".number", "series.order", "series are numbered 1, 2, 3 ... in their order")
		if i > 0 && len(series.Trials) > 0 && len(s.Series[i-1].Trials) > 0 {
			k.demand(!series.Trials[0].At.Before(s.Series[i-1].Trials[0].At), item(path, "trials", 0)+".at", "series.time_order", "a series does not begin before the series before it")
		}
		k.trials(&s, series, path)
	}
	for i := range s.HandSeries {
		k.handSeriesIn(&s, i, item(at, "hand_series", i))
	}
	for i := range s.PositionSeries {
		k.positionSeriesIn(&s, i, item(at, "position_series", i))
	}
	return k.found
}

func (c *checker) trials(s *Session, series *Series, at string) {
	for i := range series.Trials {
		t := &series.Trials[i]
		path := item(at, "trials", i)
		c.demand(t.Number == i+1, path+".number", "trial.order", "trials are numbered 1, 2, 3 ... in the order of handling")
		if i > 0 {
			c.demand(!t.At.Before(series.Trials[i-1].At), path+".at", "trial.time_order", "a trial does not begin before the trial before it")
		}
		c.demand(s.holds(t.At), path+".at", "trial.within_session", "a trial begins within its session")
		c.trial(t, series.KitID, at, path)
	}
}

// holds reports whether a moment is within the session, its ends included.
func (s *Session) holds(t Time) bool { return !t.Before(s.StartedAt) && !s.EndedAt.Before(t) }

// CheckTrial checks one trial by itself, as a correction brings it: the load is more than nothing, a recipe has its kit, each sign is noted
// once, and the steady heart rate is not above the highest. kitID is its series' kit, at the trial's path.
func CheckTrial(t Trial, kitID, at string) []fault.Violation {
	var k checker
	k.trial(&t, kitID, at, at)
	return k.found
}

func (c *checker) trial(t *Trial, kitID, seriesPath, at string) {
	c.demand(!t.Load.IsZero(), at+".load", "trial.load_positive", "a load is more than nothing")
	if len(t.InsertCodes) > 0 && kitID == "" {
		field := seriesPath + ".kit_id"
		if seriesPath == at {
			field = at + ".insert_codes"
		}
		c.once(field, "series.kit_for_recipe", "a series whose trials have recipes names their kit")
	}
	if t.SteadyHeartRate != nil && t.HeartRate != nil {
		c.demand(*t.SteadyHeartRate <= *t.HeartRate, at+".steady_heart_rate_bpm", "trial.steady_heart_rate", "the steady heart rate is not above the highest in the trial")
	}
	c.trace(t.Trace, at+".heart_rate_trace")
	for i := range t.Signs {
		for j := range i {
			if t.Signs[j].Sign == t.Signs[i].Sign {
				c.demand(false, item(at, "signs", i)+".sign", "trial.sign_once", "each sign is noted once in a trial")
				break
			}
		}
	}
}

// once notes a broken rule of a field that several elements can break, one time.
func (c *checker) once(field, rule, text string) {
	for _, v := range c.found {
		if v.Field == field && v.Rule == rule {
			return
		}
	}
	c.demand(false, field, rule, text)
}

// CheckSeriesAgainst checks a series against what its clinic has: protocols by digest and kits by id. The protocol is published, covers the
// series' zone and has its pace; the kit is known; each trial's recipe names pieces of the kit, each once, and the load is exactly
// what the tote and they weigh. An empty recipe says nothing about how the load was made.
func CheckSeriesAgainst(s Series, protocols map[string]Protocol, kits map[string]Kit, at string) []fault.Violation {
	var k checker
	p, published := protocols[s.ProtocolDigest]
	k.demand(published, at+".protocol_digest", "protocol.published", "the protocol is one that the clinic has published")
	if published {
		k.demand(covers(p.Zones, s.Zone), at+".zone", "protocol.zone", "the zone is one of the protocol's zones")
		k.demand(p.Pace == s.Pace, at+".pace", "protocol.pace", "the pace is the protocol's pace")
	}
	if s.KitID == "" {
		return k.found
	}
	kit, known := kits[s.KitID]
	k.demand(known, at+".kit_id", "kit.known", "the kit is one of the clinic's")
	if !known {
		return k.found
	}
	masses := make(map[string]mass.Mass, len(kit.Inserts))
	for i := range kit.Inserts {
		masses[kit.Inserts[i].Code] = kit.Inserts[i].Mass
	}
	for i := range s.Trials {
		k.recipe(&s.Trials[i], kit.Tote.Mass, masses, item(at, "trials", i))
	}
	return k.found
}

func covers(zones []Zone, z Zone) bool {
	for _, have := range zones {
		if have == z {
			return true
		}
	}
	return false
}

// recipe demands a sum only of a recipe whose codes are all in order.
func (c *checker) recipe(t *Trial, tote mass.Mass, masses map[string]mass.Mass, at string) {
	if len(t.InsertCodes) == 0 {
		return
	}
	sum, sound := tote, true
	used := make(map[string]bool, len(t.InsertCodes))
	for i, code := range t.InsertCodes {
		m, ok := masses[code]
		c.demand(ok, item(at, "insert_codes", i), "kit.code_known", "the code is that of an insert of the kit")
		c.demand(!used[code], item(at, "insert_codes", i), "trial.insert_once", "each insert occurs once in a recipe")
		sound = sound && ok && !used[code]
		used[code] = true
		sum = sum.Add(m)
	}
	c.demand(!sound || sum == t.Load, at+".load", "trial.recipe_sum", "the load is what the tote and the inserts of the recipe weigh")
}
