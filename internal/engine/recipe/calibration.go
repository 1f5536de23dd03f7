package recipe

import (
	"strconv"
	"time"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// Action is what a lapsed calibration does.
type Action string

// The actions; empty when nothing has lapsed.
const (
	Warn  Action = "warn"
	Block Action = "block"
)

// Policy is how a clinic treats the age of a calibration. How often a weight must be verified is for the clinic to set by its quality
// rules (common practice, no source).
type Policy struct {
	// MaxAgeDays is the highest age that is still in order, 1 to 36,500 days.
	MaxAgeDays int
	// Action for a piece beyond it.
	Action Action
}

// Lapse is a piece whose calibration cannot be relied on.
type Lapse struct {
	Code       string
	VerifiedOn string
	// AgeDays is negative when the date of verification is later than the day asked about.
	AgeDays int
}

// Calibration is the state of the pieces asked about.
type Calibration struct {
	Action Action
	// Lapses in the order of the kit, the tote first.
	Lapses []Lapse
}

// CheckCalibration compares the age of the tote's and the inserts' verification with a policy on a day, YYYY-MM-DD. With codes only those
// inserts and the tote are looked at, with none the whole kit. A piece lapses when it is older than the highest age, or verified
// later than that day.
func CheckCalibration(kit record.Kit, codes []string, on string, policy Policy) (Calibration, error) {
	_, v := loadOf(kit, codes)
	day, err := time.Parse(time.DateOnly, on)
	if err != nil {
		v.add("on", RuleDate, "a date is a day of the calendar, YYYY-MM-DD")
	}
	if policy.MaxAgeDays < 1 || policy.MaxAgeDays > 36_500 {
		v.add("policy.max_age_days", RulePolicy, "the highest age is 1 to 36500 days")
	}
	if policy.Action != Warn && policy.Action != Block {
		v.add("policy.action", RulePolicy, "the action is warn or block")
	}
	if err := fault.InvalidFields(v); err != nil {
		return Calibration{}, err
	}
	asked := make(map[string]bool, len(codes))
	for _, code := range codes {
		asked[code] = true
	}
	var c Calibration
	c.look(&kit.Tote, day, policy)
	for i := range kit.Inserts {
		if p := &kit.Inserts[i]; len(codes) == 0 || asked[p.Code] {
			c.look(p, day, policy)
		}
	}
	return c, nil
}

func (c *Calibration) look(p *record.Piece, day time.Time, policy Policy) {
	verified, err := time.Parse(time.DateOnly, p.VerifiedOn)
	// Both are midnights in UTC: the difference is whole days. Beyond 292 years a difference stays at the bound, which lapses too.
	age := int(day.Sub(verified) / (24 * time.Hour))
	if err == nil && age >= 0 && age <= policy.MaxAgeDays {
		return
	}
	c.Action = policy.Action
	c.Lapses = append(c.Lapses, Lapse{Code: p.Code, VerifiedOn: p.VerifiedOn, AgeDays: age})
}

// Text says what lapsed, by code; empty when nothing did.
func (c Calibration) Text() string {
	text := ""
	for _, l := range c.Lapses {
		if text != "" {
			text += "; "
		}
		text += l.Code + " verified on " + l.VerifiedOn
		if l.AgeDays < 0 {
			text += ", which is later than the day of use"
		} else {
			text += ", " + strconv.Itoa(l.AgeDays) + " days before"
		}
	}
	return text
}
