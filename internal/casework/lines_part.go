package casework

import (
	"fmt"

	"ponderal.example/internal/bundle"
	"ponderal.example/internal/record"
)

// changes are the words for what changed, one for each thing.
type changes []string

func (c *changes) add(what, was, now string) {
	if was != now {
		*c = append(*c, fmt.Sprintf("%s %s -> %s", what, was, now))
	}
}

// partName says which part an entry corrected.
func partName(name string, series int) string {
	return "the " + bundle.Corrected(record.Correction{Part: name, Series: series})
}

// partChanges says what changed in a part of the session.
func (h *historian) partChanges(was revision, name string, series int) changes {
	var c changes
	switch name {
	case partScreening:
		h.screeningChanges(&c, was.session.Screening, h.before.session.Screening)
	case partBody:
		h.bodyChanges(&c, was.session.Body, h.before.session.Body)
	case partSeriesEnd:
		old, now := seriesIn(was.session.Series, series, numberOfSeries), seriesIn(h.before.session.Series, series, numberOfSeries)
		if old != nil && now != nil {
			c.add("recorded end", orNone(bundle.Plain(old.Stop)), orNone(bundle.Plain(now.Stop)))
			c.add("note", quoted(old.StopNote), quoted(now.StopNote))
		}
	case partHandSeries:
		old, now := seriesIn(was.session.HandSeries, series, numberOfHands), seriesIn(h.before.session.HandSeries, series, numberOfHands)
		if old != nil && now != nil {
			h.handChanges(&c, old, now)
		}
	case partPositionSeries:
		old, now := seriesIn(was.session.PositionSeries, series, numberOfPosition), seriesIn(h.before.session.PositionSeries, series, numberOfPosition)
		if old != nil && now != nil {
			positionChanges(&c, old, now)
		}
	}
	if len(c) == 0 {
		return changes{"the part cannot be shown"}
	}
	return c
}

func numberOfSeries(s *record.Series) int           { return s.Number }
func numberOfHands(s *record.HandSeries) int        { return s.Number }
func numberOfPosition(s *record.PositionSeries) int { return s.Number }

// seriesIn is the series of that number, nil when there is none.
func seriesIn[T any](list []T, number int, of func(*T) int) *T {
	for i := range list {
		if of(&list[i]) == number {
			return &list[i]
		}
	}
	return nil
}

func (h *historian) screeningChanges(c *changes, was, now record.Screening) {
	c.add("resting heart rate", beats(was.RestingHeartRate), beats(now.RestingHeartRate))
	c.add("systolic pressure", beats(was.Systolic), beats(now.Systolic))
	c.add("diastolic pressure", beats(was.Diastolic), beats(now.Diastolic))
	c.add("drug that limits the heart rate", yes(&was.RateLimitingDrug), yes(&now.RateLimitingDrug))
	c.add("symptoms", symptoms(was.Symptoms), symptoms(now.Symptoms))
	c.add("reason for the override", quoted(was.OverrideReason), quoted(now.OverrideReason))
	c.add("override answered for by", h.memberName(was.OverrideBy), h.memberName(now.OverrideBy))
}

// memberName is a member's printed name as far as it was looked up.
func (h *historian) memberName(id string) string {
	if name := h.names.known[id]; name != "" {
		return name
	}
	return orNone(id)
}

func (h *historian) bodyChanges(c *changes, was, now *record.BodyMeasures) {
	of := func(b *record.BodyMeasures) (stature, mass string) {
		if b == nil {
			return "none", "none"
		}
		if stature = "none"; b.StatureMM > 0 {
			stature = fmt.Sprintf("%d mm", b.StatureMM)
		}
		return stature, h.show(b.Mass)
	}
	oldStature, oldMass := of(was)
	stature, mass := of(now)
	c.add("stature", oldStature, stature)
	c.add("body mass", oldMass, mass)
}

func (h *historian) handChanges(c *changes, was, now *record.HandSeries) {
	c.add("measure", bundle.Plain(was.Measure), bundle.Plain(now.Measure))
	c.add("hand", string(was.Hand), string(now.Hand))
	c.add("procedure", bundle.Plain(was.Procedure), bundle.Plain(now.Procedure))
	c.add("dominant", yes(was.Dominant), yes(now.Dominant))
	c.add("instrument", quoted(was.Instrument), quoted(now.Instrument))
	c.add("instrument verified on", orNone(was.InstrumentVerifiedOn), orNone(now.InstrumentVerifiedOn))
	c.add("note", quoted(was.Note), quoted(now.Note))
	for n := 1; n <= max(len(was.Trials), len(now.Trials)); n++ {
		number := func(t *record.HandTrial) int { return t.Number }
		old, new := seriesIn(was.Trials, n, number), seriesIn(now.Trials, n, number)
		at := fmt.Sprintf("trial %d ", n)
		if old == nil || new == nil {
			c.add(at[:len(at)-1], h.reading(old), h.reading(new))
			continue
		}
		c.add(at+"reading", h.reading(old), h.reading(new))
		c.add(at+"handle position", handle(old.Position), handle(new.Position))
		c.add(at+"effort rating", effort(old.Effort), effort(new.Effort))
		c.add(at+"symptoms", symptoms(old.Symptoms), symptoms(new.Symptoms))
		c.add(at+"time", old.At.String(), new.At.String())
	}
}

func (h *historian) reading(t *record.HandTrial) string {
	if t == nil {
		return "none"
	}
	return h.show(&t.Reading)
}

func handle(position int) string {
	if position == 0 {
		return "none"
	}
	return fmt.Sprint(position)
}

func positionChanges(c *changes, was, now *record.PositionSeries) {
	c.add("position", bundle.Plain(was.Position), bundle.Plain(now.Position))
	c.add("rating", bundle.Plain(was.Rating), bundle.Plain(now.Rating))
	c.add("note", quoted(was.Note), quoted(now.Note))
	for n := 1; n <= max(len(was.Bouts), len(now.Bouts)); n++ {
		number := func(b *record.Bout) int { return b.Number }
		old, new := seriesIn(was.Bouts, n, number), seriesIn(now.Bouts, n, number)
		at := fmt.Sprintf("bout %d ", n)
		if old == nil || new == nil {
			c.add(at[:len(at)-1], kept(old), kept(new))
			continue
		}
		c.add(at+"kept", kept(old), kept(new))
		c.add(at+"ended by", bundle.Plain(old.EndedBy), bundle.Plain(new.EndedBy))
		c.add(at+"effort rating", effort(old.Effort), effort(new.Effort))
		c.add(at+"heart rate", beats(old.HeartRate), beats(new.HeartRate))
		c.add(at+"symptoms", symptoms(old.Symptoms), symptoms(new.Symptoms))
		c.add(at+"time", old.At.String(), new.At.String())
	}
}

func kept(b *record.Bout) string {
	if b == nil {
		return "none"
	}
	return fmt.Sprintf("%d of %d s", b.KeptSeconds, b.AskedSeconds)
}

func quoted(text string) string {
	if text == "" {
		return "none"
	}
	return fmt.Sprintf("%q", text)
}
