package deskwork

import (
	"ponderal.example/internal/engine/heartrate"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// HeartRateQuestion asks for a person's limit. Resting is in beats per minute, nil where not measured; Limit nil asks for the maxima alone.
type HeartRateQuestion struct {
	AgeYears int
	Resting  *int
	Limit    *record.HeartRateLimit
}

// PredictedMaximum is what one formula predicts.
type PredictedMaximum struct {
	Formula record.HeartRateFormula
	Rate    HeartRate
}

// HeartRates is the answer. Limit is nil where none was asked for.
type HeartRates struct {
	Maxima   []PredictedMaximum
	Limit    *HeartRate
	Cautions []record.Remark
}

// HeartRateLimits predicts the maximum by each formula and works out the limit, exactly. What a percentage lacks is a broken rule; so is
// a resting rate that leaves no reserve.
func HeartRateLimits(q HeartRateQuestion) (HeartRates, error) {
	out := HeartRates{Cautions: []record.Remark{judgement(), {Code: "heart_rate_not_trustworthy",
		Text: "A predicted maximum is an average of many people, not a person's own. A heart rate is no safe guide in a person who takes a rate-limiting drug."}}}
	who := record.Person{AgeYears: q.AgeYears}
	for _, f := range []record.HeartRateFormula{record.Fox1971, record.Tanaka2001} {
		r, missing := heartrate.Predicted(f, who)
		if missing != "" {
			return HeartRates{}, refuse("age_years", "heart_rate.age", "a maximum is predicted for ages from 1 to 120 years")
		}
		out.Maxima = append(out.Maxima, PredictedMaximum{Formula: f, Rate: r})
	}
	if q.Limit == nil {
		return out, nil
	}
	limit, missing := heartrate.Limit(*q.Limit, who, q.Resting)
	switch missing {
	case heartrate.MissingAge:
		return HeartRates{}, refuse("age_years", "heart_rate.age", "a maximum is predicted for ages from 1 to 120 years")
	case heartrate.MissingFormula:
		return HeartRates{}, refuse("limit.formula", "heart_rate.formula", "a percentage of the predicted maximum or of the reserve needs a formula")
	case heartrate.MissingSex, heartrate.MissingFormulaForSex, heartrate.MissingFormulaForAge:
		return HeartRates{}, refuse("limit.formula", "heart_rate.population", "a formula is used only for the sex and the ages for which it was published")
	case heartrate.MissingRestingRate:
		return HeartRates{}, refuse("resting_heart_rate_bpm", "heart_rate.resting", "a percentage of the reserve needs the resting heart rate")
	}
	if highest, _ := heartrate.Predicted(q.Limit.Formula, who); q.Limit.PercentOfReserve != 0 && heartrate.BPM(*q.Resting) >= highest {
		return HeartRates{}, refuse("resting_heart_rate_bpm", "heart_rate.reserve", "the resting heart rate is below the predicted maximum")
	}
	out.Limit = &limit
	return out, nil
}

func refuse(field, rule, text string) error {
	return fault.InvalidFields([]fault.Violation{{Field: field, Rule: rule, Text: text}})
}
