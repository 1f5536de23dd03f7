package heartrate

import "ponderal.example/internal/record"

// prediction is a formula: constant + linear x age + square x age², in thousandths of a beat per minute, and for whom it was published.
type prediction struct {
	constant, linear, square int64
	// from and to are ages in completed years, both included; sex is empty where the formula is for both.
	from, to int
	sex      record.Sex
}

// adult is where we let the formulae begin that were published for "adults" or "women": the publications that we could read name no
// lowest age (common practice, no source).
const adult = 18

// predictionOf finds a formula. Fox and Tanaka are taken for every age, as they always were here; the others only for whom they were
// published. The quadratic of Gellish begins with 192 in some secondary texts, with 191.5 in the one that was read.
func predictionOf(f record.HeartRateFormula) (prediction, bool) {
	switch f {
	case record.Fox1971: // 220 - age: Fox, Naughton, Haskell, Ann Clin Res 1971;3:404-432
		return prediction{constant: 220_000, linear: -1000, from: minAge, to: maxAge}, true
	case record.Tanaka2001: // 208 - 0.7 age: Tanaka, Monahan, Seals, J Am Coll Cardiol 2001;37:153-156
		return prediction{constant: 208_000, linear: -700, from: minAge, to: maxAge}, true
	case record.Gellish2007: // 206.9 - 0.67 age: Gellish et al., Med Sci Sports Exerc 2007;39:822-829, unrounded
		return prediction{constant: 206_900, linear: -670, from: adult, to: maxAge}, true
	case record.Gellish2007Quadratic: // 191.5 - 0.007 age²: the same
		return prediction{constant: 191_500, square: -7, from: adult, to: maxAge}, true
	case record.Gulati2010Women: // 206 - 0.88 age: Gulati et al., Circulation 2010;122:130-137, asymptomatic women
		return prediction{constant: 206_000, linear: -880, from: adult, to: maxAge, sex: record.Female}, true
	case record.Sydo2014Men: // 220 - 0.95 age: Sydo et al., Mayo Clin Proc 2014;89:1664-1672, men of 40 to 89 years
		return prediction{constant: 220_000, linear: -950, from: 40, to: 89, sex: record.Male}, true
	case record.Sydo2014Women: // 210 - 0.79 age: the same, women of 40 to 89 years
		return prediction{constant: 210_000, linear: -790, from: 40, to: 89, sex: record.Female}, true
	case record.Zhu2010: // 179 + 0.29 age - 0.011 age²: Zhu et al., Med Sci Sports Exerc 2010;42:1519-1527, 18 to 50 years
		return prediction{constant: 179_000, linear: 290, square: -11, from: 18, to: 50}, true
	case record.BetaBlockerFormula: // 164 - 0.7 age: AEROBICS 2019 update, p. 20, for people who take a beta blocker; no ages are named
		return prediction{constant: 164_000, linear: -700, from: minAge, to: maxAge}, true
	}
	return prediction{}, false
}

// Formulae returns every formula in the order in which they are shown.
func Formulae() []record.HeartRateFormula {
	return []record.HeartRateFormula{
		record.Fox1971, record.Tanaka2001, record.Gellish2007, record.Gellish2007Quadratic, record.Gulati2010Women,
		record.Sydo2014Men, record.Sydo2014Women, record.Zhu2010, record.BetaBlockerFormula,
	}
}

// Predicted is the maximum heart rate that a formula predicts for a person, of whom age and sex count. What keeps it from being predicted
// is named: no believable age (1 to 120 years), a formula that is none of ours, a sex that is not stated where the formula is for
// one, or a person for whom the formula was not made. Nothing is extrapolated.
func Predicted(f record.HeartRateFormula, who record.Person) (Rate, Missing) {
	age := who.AgeYears
	if age < minAge || age > maxAge {
		return 0, MissingAge
	}
	p, known := predictionOf(f)
	switch {
	case !known:
		return 0, MissingFormula
	case p.sex != "" && who.Sex == "":
		return 0, MissingSex
	case p.sex != "" && who.Sex != p.sex:
		return 0, MissingFormulaForSex
	case age < p.from || age > p.to:
		return 0, MissingFormulaForAge
	}
	years := int64(age)
	return Rate(p.constant+p.linear*years+p.square*years*years) * perThousandth, ""
}
