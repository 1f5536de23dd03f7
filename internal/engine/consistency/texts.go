package consistency

import "strconv"

// What sources, expectations and reasons say.
const (
	noSource          = "common practice, no source"
	sourceMDC         = "Weir JP, J Strength Cond Res 2005;19:231-240"
	sourceRelation    = noSource + "; method: Kendall, Rank correlation methods; Theil 1950 and Sen 1968 for the slope"
	drugReason        = "A rate-limiting drug holds the heart rate down: what it does says nothing about the load or the effort."
	tooFewReason      = "There are too few trials with both measurements, or too many ties, for any data to reach the threshold."
	tooManyReason     = "There are more trials than this is computed for."
	sameXReason       = "There is nothing to compare: the first measurement is the same in every trial."
	sameYReason       = "The second measurement is the same in every trial."
	noErrorReason     = "No measurement error was given to compare the retest with."
	noRetestReason    = "There was no blinded retest."
	retestLoadReason  = "A load is out of range."
	noEqualLoadReason = "No load was handled again blinded with both trials rated."
	fatigueReason     = "Fatigue alone raises a later rating."
	noLimitReason     = "The series was not ended by the person's own limit, by effort or by mechanics."
	noSignsReason     = "No observation of mechanics was recorded, not even a steady one."
	fewTrialsReason   = "There are fewer than three trials."
	settingsReason    = "The settings are out of range."
	gripReason        = "The hand, a reading or a limit is out of range."

	expectedMechanics = "a change in mechanics is seen near the end of a series that a limit ended"
	expectedRatings   = "the same load is rated alike when it is handled again blinded"
	expectedRetest    = "a blinded retest ends at the same load, within the error of measurement"

	thresholdRetest = "agrees: at most the minimal detectable change with 95 % confidence; disagrees: more"
)

// Units of an indicator's number.
const (
	unitTau      = "tau-b"
	unitTrials   = "trials up to the first with a change"
	unitPoints   = "points"
	unitKilogram = "kg"
	unitCV       = "% coefficient of variation"
	unitSpread   = "% spread over five positions"
	unitExchange = "% above the static test"
)

// texts are the thresholds that depend on the settings: made once for a report, and not at all for those that a clinic has not set.
type texts struct {
	relation, mechanics, ratings string
}

func textsOf(s Settings) texts {
	if s == DefaultSettings() {
		return texts{
			relation:  "agrees: above 0 with a one-sided chance of at most 0.05; disagrees: below 0",
			mechanics: "agrees: a sign of grade 1 or more in the last 2 trials; mixed: only earlier; disagrees: none in the series",
			ratings:   "agrees: at most 1; mixed: at most 2; disagrees: more",
		}
	}
	return settingTexts(s)
}

func settingTexts(s Settings) texts {
	return texts{
		relation:  "agrees: above 0 with a one-sided chance of at most " + strconv.FormatFloat(s.P, 'g', -1, 64) + "; disagrees: below 0",
		mechanics: "agrees: a sign of grade 1 or more in the last " + strconv.Itoa(s.LastTrials) + " trials; mixed: only earlier; disagrees: none in the series",
		ratings:   "agrees: at most " + s.ShiftAgrees.String() + "; mixed: at most " + s.ShiftMixed.String() + "; disagrees: more",
	}
}

// summary is "3 of 5 assessed indicators agree; 1 mixed, 1 disagrees; 2 not assessed."
func (r *Report) summary() string {
	var room [96]byte
	b := strconv.AppendInt(room[:0], int64(r.Agree), 10)
	b = append(b, " of "...)
	b = strconv.AppendInt(b, int64(r.Assessed), 10)
	b = append(b, " assessed indicators agree; "...)
	b = strconv.AppendInt(b, int64(r.Mixed), 10)
	b = append(b, " mixed, "...)
	b = strconv.AppendInt(b, int64(r.Disagree), 10)
	if r.Disagree == 1 {
		b = append(b, " disagrees; "...)
	} else {
		b = append(b, " disagree; "...)
	}
	b = strconv.AppendInt(b, int64(r.NotAssessed), 10)
	return string(append(b, " not assessed."...))
}
