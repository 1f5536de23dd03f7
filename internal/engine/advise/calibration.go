package advise

import (
	"strconv"

	"ponderal.example/internal/record"
)

// calibration says which pieces of the kit were weighed too long ago, or later than now. Under a protocol that blocks, they keep the next
// trial from being done until they are weighed again or taken out of the kit.
func (j *judge) calibration() {
	rule := j.in.Protocol.Calibration
	if rule == nil {
		return
	}
	calls := Note
	if rule.Block {
		calls = Wait
	}
	if j.in.Kit == nil || j.in.Now.IsZero() {
		j.say(calls, GuardCalibration, "not known", ageText(rule.Days), "The kit or the present moment is not given, so the age of its weighing is not known.")
		return
	}
	today := dayOf(j.in.Now)
	codes, lapsed, worst := "", 0, 0
	// good is the last date that was in order: the pieces of a kit are mostly weighed on one day.
	good := ""
	piece := func(p *record.Piece) {
		if good != "" && p.VerifiedOn == good {
			return
		}
		weighed, ok := parseDay(p.VerifiedOn)
		if age := today - weighed; ok && age >= 0 && age <= rule.Days {
			good = p.VerifiedOn
			return
		} else if ok {
			worst = max(worst, age)
		}
		if lapsed++; lapsed > 1 {
			codes += ", "
		}
		codes += p.Code
	}
	piece(&j.in.Kit.Tote)
	for i := range j.in.Kit.Inserts {
		piece(&j.in.Kit.Inserts[i])
	}
	if lapsed > 0 {
		age := ageText(worst)
		if worst <= rule.Days {
			age = "later than now, or on no known day"
		}
		j.say(calls, GuardCalibration, age, ageText(rule.Days), "Weighed too long ago, or on a day that cannot be: "+codes+". Weigh them again or take them out of the kit.")
	}
}

func ageText(days int) string { return counted(days, "day") }

// counted is "1 trial" or "2 trials".
func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return strconv.Itoa(n) + " " + what + "s"
}

// dayOf numbers the UTC day of a moment.
func dayOf(t record.Time) int {
	return floorDiv(int(t.Std().Unix()), secondsPerDay) + dayOfEpoch
}

const (
	secondsPerDay = 86_400
	// dayOfEpoch is dayNumber(1970, 1, 1).
	dayOfEpoch = 719_468
)

// parseDay numbers a day written YYYY-MM-DD; not ok for any other text. A day of the month that does not exist counts on into the next month.
func parseDay(s string) (int, bool) {
	if len(s) != 10 || s[4] != '-' || s[7] != '-' {
		return 0, false
	}
	year, ok1 := digits(s[:4])
	month, ok2 := digits(s[5:7])
	day, ok3 := digits(s[8:])
	if !ok1 || !ok2 || !ok3 || month < 1 || month > 12 || day < 1 || day > 31 {
		return 0, false
	}
	return dayNumber(year, month, day), true
}

func digits(s string) (n int, ok bool) {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		n = 10*n + int(s[i]-'0')
	}
	return n, true
}

// dayNumber counts the days of the Gregorian calendar from 1 March of the year 0, so that leap days end the years: 365 days, one more
// every 4 years, but not every 100, but every 400; (153 m + 2) / 5 are the days before the month m after March.
func dayNumber(year, month, day int) int {
	m := (month + 9) % 12
	y := year - m/10
	return 365*y + floorDiv(y, 4) - floorDiv(y, 100) + floorDiv(y, 400) + (153*m+2)/5 + day - 1
}

// floorDiv rounds down, for the year before 0 too.
func floorDiv(a, b int) int {
	if a < 0 {
		return (a - b + 1) / b
	}
	return a / b
}
