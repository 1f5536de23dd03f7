package guard

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"time"

	"ponderal.example/internal/record"
)

// calibration knows on which day each piece of a series' kit was weighed. Days are counted from 1970-01-01, in UTC.
type calibration struct {
	days   int
	blocks bool
	kit    *record.Kit
	// verified holds the tote's day, then those of the inserts in the kit's order; nil where the kit is not known.
	verified []int
	// oldest and newest are the bounds of verified, so that a kit in order costs a trial two comparisons.
	oldest, newest int
}

// noDay stands for a text that is no date: it lapses on every day.
const noDay = math.MinInt

func calibrationOf(limit *record.CalibrationLimit, kit *record.Kit) calibration {
	c := calibration{days: limit.Days, blocks: limit.Block, kit: kit}
	if kit == nil {
		return c
	}
	c.verified = make([]int, 1+len(kit.Inserts))
	// Most pieces of a kit are weighed on one day: a text is read again only when it changes.
	text := kit.Tote.VerifiedOn
	day := dayOfDate(text)
	c.verified[0], c.oldest, c.newest = day, day, day
	for i := range kit.Inserts {
		if next := kit.Inserts[i].VerifiedOn; next != text {
			text, day = next, dayOfDate(next)
			c.oldest, c.newest = min(c.oldest, day), max(c.newest, day)
		}
		c.verified[i+1] = day
	}
	return c
}

const secondsPerDay = 86_400

func dayOfDate(text string) int {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return noDay
	}
	// Midnight in UTC: the division leaves nothing.
	return int(t.Unix() / secondsPerDay)
}

func dayOfTime(t record.Time) int {
	seconds := t.Std().Unix()
	day := seconds / secondsPerDay
	if seconds%secondsPerDay < 0 {
		day--
	}
	return int(day)
}

// inOrder reports whether a piece weighed on one day may be used on another: not before, and no more days later than the limit.
func (c *calibration) inOrder(verified, used int) bool {
	return verified != noDay && verified <= used && used-verified <= c.days
}

// lapse is a piece of a trial's load whose weighing cannot be relied on.
type lapse struct {
	code     string
	verified int
}

// lapsedText names the pieces of a trial's load that were weighed too long before it or only after it, the oldest first, equally old ones
// by code; empty when there are none, and where the trial does not say what its load was made of.
func (c *calibration) lapsedText(t *record.Trial) string {
	if c.verified == nil || len(t.InsertCodes) == 0 {
		return ""
	}
	used := dayOfTime(t.At)
	if c.inOrder(c.oldest, used) && c.inOrder(c.newest, used) {
		return ""
	}
	var few [8]lapse
	lapsed := few[:0]
	if !c.inOrder(c.verified[0], used) {
		lapsed = append(lapsed, lapse{c.kit.Tote.Code, c.verified[0]})
	}
	for i := range c.kit.Inserts {
		code := c.kit.Inserts[i].Code
		if !c.inOrder(c.verified[i+1], used) && slices.Contains(t.InsertCodes, code) {
			lapsed = append(lapsed, lapse{code, c.verified[i+1]})
		}
	}
	slices.SortFunc(lapsed, func(a, b lapse) int {
		return cmp.Or(cmp.Compare(a.verified, b.verified), cmp.Compare(a.code, b.code))
	})
	// Few pieces have lapsed, if any: the text mostly needs no more than this.
	text := make([]byte, 0, 64)
	for i, l := range lapsed {
		if i > 0 {
			text = append(text, ", "...)
		}
		text = l.append(text, used)
	}
	return string(text)
}

func (l lapse) append(text []byte, used int) []byte {
	text = append(text, l.code...)
	switch {
	case l.verified == noDay:
		return append(text, " on no known day"...)
	case l.verified > used:
		return append(appendDays(append(text, " weighed "...), l.verified-used), " after"...)
	}
	return appendDays(append(text, ' '), used-l.verified)
}

func (c *calibration) limitText() string { return string(appendDays(nil, c.days)) }

func appendDays(text []byte, n int) []byte {
	text = append(strconv.AppendInt(text, int64(n), 10), " day"...)
	if n == 1 {
		return text
	}
	return append(text, 's')
}
