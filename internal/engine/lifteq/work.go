package lifteq

import (
	"strconv"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
)

const (
	sampleSeconds = 15 * 60
	hourSeconds   = 60 * 60
	daySeconds    = 24 * hourSeconds
)

// SampleRate is F where lifting goes on at the rate for only part of every 15 minutes (manual p. 16): rate x work / 15 min, rounded to
// the nearest unit. Work is in seconds, 1 to 900.
func SampleRate(rate measure.Rate, workSeconds int) (measure.Rate, error) {
	var v violations
	switch {
	case rate <= 0:
		v.add("rate", RulePositive, "the rate of lifting is above zero")
	case rate > measure.MaxRate:
		v.add("rate", RuleRange, "the rate of lifting is at most 1000 a minute")
	}
	if workSeconds < 1 || workSeconds > sampleSeconds {
		v.add("work_seconds", RuleRange, "the work in a sample is 1 to 900 seconds")
	}
	if err := fault.InvalidFields(v.list); err != nil {
		return 0, err
	}
	return measure.Rate(halfUp(int64(rate)*int64(workSeconds), sampleSeconds)), nil
}

// Period is lifting followed by recovery: lighter work or rest.
type Period struct {
	WorkSeconds     int
	RecoverySeconds int
}

// Edition chooses the recovery that short work needs.
type Edition uint8

// The editions.
const (
	// Revision2021 asks for recovery as long as the work.
	Revision2021 Edition = iota
	// Edition1994 asks for 1.2 times the work.
	Edition1994
)

// DurationOf classifies a day's lifting (manual pp. 13-14). Work of at most 1 h needs recovery of at least its length, work of at most
// 2 h recovery of at least 0.3 of it. Where more lifting follows a recovery that is too short, the work is added up and the recovery is
// disregarded. The longest category so found is the job's; more than 8 h is refused.
func DurationOf(periods []Period, edition Edition) (Duration, error) {
	if err := checkPeriods(periods, edition); err != nil {
		return "", err
	}
	longest, work := 0, 0
	for i, p := range periods {
		work += p.WorkSeconds
		if work > 8*hourSeconds {
			v := violations{}
			v.add("periods["+strconv.Itoa(i)+"].work_seconds", RuleHours, "lifting without sufficient recovery adds up to at most 8 hours")
			return "", fault.InvalidFields(v.list)
		}
		longest = max(longest, work)
		if recovered(work, p.RecoverySeconds, edition) {
			work = 0
		}
	}
	switch {
	case longest <= hourSeconds:
		return Short, nil
	case longest <= 2*hourSeconds:
		return Moderate, nil
	}
	return Long, nil
}

// recovered reports whether the recovery after that much work lets the count begin anew.
func recovered(work, recovery int, edition Edition) bool {
	switch {
	case work <= hourSeconds && edition == Edition1994:
		return 10*recovery >= 12*work
	case work <= hourSeconds:
		return recovery >= work
	case work <= 2*hourSeconds:
		return 10*recovery >= 3*work
	}
	return false
}

func checkPeriods(periods []Period, edition Edition) error {
	var v violations
	if len(periods) == 0 || len(periods) > 1000 {
		v.add("periods", RuleRange, "a day has 1 to 1000 periods of lifting")
		return fault.InvalidFields(v.list)
	}
	if edition > Edition1994 {
		v.add("edition", RuleUnknown, "the edition is that of 2021 or of 1994")
	}
	for i, p := range periods {
		at := "periods[" + strconv.Itoa(i) + "]."
		if p.WorkSeconds < 1 || p.WorkSeconds > daySeconds {
			v.add(at+"work_seconds", RuleRange, "a period of work is 1 second to 24 hours")
		}
		if p.RecoverySeconds < 0 || p.RecoverySeconds > daySeconds {
			v.add(at+"recovery_seconds", RuleRange, "a recovery is 0 to 24 hours")
		}
	}
	return fault.InvalidFields(v.list)
}

// EstimateHorizontal is H where it cannot be measured (manual p. 8), from the height of the hands and the width of the container in
// the sagittal plane: 8 in + W/2 (20 cm + W/2), or 10 in + W/2 (25 cm + W/2) with the hands below 10 in (25 cm). Half of an odd number
// of units is rounded up.
func EstimateHorizontal(system System, vertical, width measure.Length) (measure.Length, error) {
	var v violations
	if system != US && system != Metric {
		v.add("system", RuleUnknown, "the form of the equation is us or metric")
	}
	if vertical < 0 || vertical > maxLength {
		v.add("vertical", RuleRange, "the height of the hands is 0 to 10 m")
	}
	switch {
	case width <= 0:
		v.add("width", RulePositive, "the width of the container is above zero")
	case width > maxLength:
		v.add("width", RuleRange, "the width of the container is at most 10 m")
	}
	if err := fault.InvalidFields(v.list); err != nil {
		return 0, err
	}
	low, base, near := 10*measure.PerInch, 10*measure.PerInch, 8*measure.PerInch
	if system == Metric {
		low, base, near = 25*measure.PerCentimetre, 25*measure.PerCentimetre, 20*measure.PerCentimetre
	}
	if vertical >= low {
		base = near
	}
	return base + (width+1)/2, nil
}
