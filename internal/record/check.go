package record

import (
	"strconv"
	"time"

	"ponderal.example/internal/fault"
)

// The functions named Check find what the contract's rules on single fields cannot say: order, uniqueness, and what one field
// demands of another. They trust that those rules hold. Each takes the path under which the caller knows the record and reports
// paths of the contract below it, `session.series[1].trials[3].load`, list places from 0; nil when nothing is wrong. Texts name rules
// and never repeat a person's data.

// maxAgeYears is the highest age that is believed.
const maxAgeYears = 120

// checker gathers violations.
type checker struct{ found []fault.Violation }

// demand notes a broken rule unless ok.
func (c *checker) demand(ok bool, field, rule, text string) {
	if !ok {
		c.found = append(c.found, fault.Violation{Field: field, Rule: rule, Text: text})
	}
}

// member is demand of a member of what is checked. The path is made only where it is told: advice checks a protocol each time.
func (c *checker) member(ok bool, at, member, rule, text string) {
	if !ok {
		c.demand(false, at+member, rule, text)
	}
}

// item is the path of an element of a list.
func item(at, list string, i int) string { return at + "." + list + "[" + strconv.Itoa(i) + "]" }

const (
	ruleCalendarDate = "date.calendar"
	textCalendarDate = "a date is a day of the calendar, YYYY-MM-DD"
)

// parseDate reads a calendar date.
func parseDate(s string) (time.Time, bool) {
	t, err := time.Parse(time.DateOnly, s)
	return t, err == nil
}

// ReadEffort makes an effort rating of a number from the contract; the violation `effort.halves` says that it is none.
func ReadEffort(v float64, at string) (Effort, []fault.Violation) {
	e, ok := EffortOf(v)
	if !ok {
		return 0, []fault.Violation{{Field: at, Rule: "effort.halves", Text: "an effort rating is a whole or a half number from 0 to 10"}}
	}
	return e, nil
}

// AgeAt is the age in completed years on the UTC day of a moment; not ok when the birth date is no date, is later than that day, or
// gives an age above 120. A person born on 29 February completes a year on 1 March where there is no such day.
func AgeAt(birthDate string, at Time) (years int, ok bool) {
	born, ok := parseDate(birthDate)
	if !ok {
		return 0, false
	}
	day := at.Std().UTC()
	years = day.Year() - born.Year()
	if day.Month() < born.Month() || day.Month() == born.Month() && day.Day() < born.Day() {
		years--
	}
	return years, years >= 0 && years <= maxAgeYears
}

// CheckClient checks a client against the present moment: the birth date is a day of the calendar, not in the future, and gives an
// age of at most 120 years.
func CheckClient(c Client, now Time, at string) []fault.Violation {
	var k checker
	field := at + ".birth_date"
	born, ok := parseDate(c.BirthDate)
	k.demand(ok, field, ruleCalendarDate, textCalendarDate)
	if !ok {
		return k.found
	}
	future := born.After(now.Std())
	k.demand(!future, field, "client.birth_not_future", "a birth date is not in the future")
	_, believed := AgeAt(c.BirthDate, now)
	k.demand(future || believed, field, "client.age", "a birth date gives an age of at most 120 years")
	return k.found
}

// CheckRelease checks a client's authorization against the present moment: unless it is being withdrawn, it ends in the future.
func CheckRelease(r Release, now Time, at string) []fault.Violation {
	var k checker
	k.demand(r.Revoked || now.Before(r.ExpiresAt), at+".expires_at", "release.expires_in_future", "a release that is not withdrawn ends in the future")
	return k.found
}

// CheckKit checks a kit: every piece has a mass, a code of its own (the tote's too) and a real date of weighing.
func CheckKit(kit Kit, at string) []fault.Violation {
	var k checker
	codes := make(map[string]bool, len(kit.Inserts)+1)
	piece := func(p *Piece, path string) {
		k.demand(!p.Mass.IsZero(), path+".mass", "kit.mass_positive", "a piece of a kit has a mass")
		k.demand(!codes[p.Code], path+".code", "kit.code_once", "each code occurs once in a kit")
		_, ok := parseDate(p.VerifiedOn)
		k.demand(ok, path+".verified_on", ruleCalendarDate, textCalendarDate)
		codes[p.Code] = true
	}
	piece(&kit.Tote, at+".tote")
	for i := range kit.Inserts {
		piece(&kit.Inserts[i], item(at, "inserts", i))
	}
	return k.found
}
