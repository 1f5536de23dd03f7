package deskwork

import (
	"ponderal.example/internal/engine/heartrate"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// HeartRateQuestion asks for a person's limit. Resting is in beats per minute, nil where not measured; Limit nil asks for the maxima alone.
type HeartRateQuestion struct {
	Person  record.Person
	Resting *int
	Limit   *record.HeartRateLimit
}

// PredictedMaximum is what one formula predicts. NotApplicable says why it predicts nothing for the person; empty where it does.
type PredictedMaximum struct {
	Formula       record.HeartRateFormula
	Rate          HeartRate
	NotApplicable string
}

// HeartRates is the answer. Limit is nil where none was asked for.
type HeartRates struct {
	Maxima   []PredictedMaximum
	Limit    *HeartRate
	Cautions []record.Remark
}

const (
	ageText     = "a maximum is predicted for ages from 1 to 120 years"
	sexText     = "the formula was made for one sex, and the person's is not given"
	otherSex    = "the formula was made for the other sex"
	otherAge    = "the formula was made for other ages"
	formulaText = "a percentage of the predicted maximum or of the reserve needs a formula"
)

// HeartRateLimits predicts the maximum by each formula that was made for such a person and works out the limit, exactly. What a percentage
// lacks is a broken rule; so is a resting rate that leaves no reserve.
func HeartRateLimits(q HeartRateQuestion) (HeartRates, error) {
	out := HeartRates{Cautions: append(heartRateCautions(), record.Remark{Code: "beta_blocker",
		Text: "The formula 164 - 0.7 x age is for people who take a beta blocker and for nobody else; the other formulae are not for them."})}
	for _, f := range heartrate.Formulae() {
		r, missing := heartrate.Predicted(f, q.Person)
		m := PredictedMaximum{Formula: f, Rate: r}
		switch missing {
		case "":
		case heartrate.MissingSex:
			m.NotApplicable = sexText
		case heartrate.MissingFormulaForSex:
			m.NotApplicable = otherSex
		case heartrate.MissingFormulaForAge:
			m.NotApplicable = otherAge
		default:
			return HeartRates{}, lacking(missing, "limit.formula")
		}
		out.Maxima = append(out.Maxima, m)
	}
	if q.Limit == nil {
		return out, nil
	}
	limit, missing := heartrate.Limit(*q.Limit, q.Person, q.Resting)
	if missing != "" {
		return HeartRates{}, lacking(missing, "limit.formula")
	}
	if highest, _ := heartrate.Predicted(q.Limit.Formula, q.Person); q.Limit.PercentOfReserve != 0 && heartrate.BPM(*q.Resting) >= highest {
		return HeartRates{}, refuse("resting_heart_rate_bpm", "heart_rate.reserve", "the resting heart rate is below the predicted maximum")
	}
	out.Limit = &limit
	return out, nil
}

// lacking says which field of a request keeps a limit from being worked out; formula is the field that names one.
func lacking(m heartrate.Missing, formula string) error {
	switch m {
	case heartrate.MissingAge:
		return refuse("age_years", "heart_rate.age", ageText)
	case heartrate.MissingSex:
		return refuse("sex", "heart_rate.sex", sexText)
	case heartrate.MissingFormulaForSex:
		return refuse(formula, "heart_rate.formula_sex", otherSex)
	case heartrate.MissingFormulaForAge:
		return refuse(formula, "heart_rate.formula_age", otherAge)
	case heartrate.MissingRestingRate:
		return refuse("resting_heart_rate_bpm", "heart_rate.resting", "a percentage of the reserve needs the resting heart rate")
	}
	return refuse(formula, "heart_rate.formula", formulaText)
}

func heartRateCautions() []record.Remark {
	return []record.Remark{judgement(), {Code: "heart_rate_not_trustworthy",
		Text: "A predicted maximum is an average of many people, not a person's own. A heart rate is no safe guide in a person who takes a rate-limiting drug."}}
}

func refuse(field, rule, text string) error {
	return fault.InvalidFields([]fault.Violation{{Field: field, Rule: rule, Text: text}})
}
