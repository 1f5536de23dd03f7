package guard

import (
	"slices"
	"strconv"
	"strings"

	"ponderal.example/internal/record"
)

// symptomOrder is the order in which symptoms are listed, whatever the order in which they were noted.
var symptomOrder = []record.Symptom{
	record.SymptomChestPain, record.SymptomDizziness, record.SymptomBreathlessness, record.SymptomRadiatingPain,
	record.SymptomNumbnessOrWeakness, record.SymptomOther,
}

// signOrder is the same for mechanics signs.
var signOrder = []record.SignKind{
	record.SignLoadDistance, record.SignBaseOfSupport, record.SignHeelRise, record.SignTrunkLean, record.SignTwist,
	record.SignMomentum, record.SignUnevenHands, record.SignBreathHolding, record.SignLoweringControl,
}

// SymptomText lists each symptom once in plain words, in the order of record's constants, whatever the order in which they were noted.
func SymptomText(noted []record.Symptom) string { return listed(noted, symptomOrder) }

// InOrder returns each sign once in the order of record's constants, others after by their spelling. The argument stays as it is.
func InOrder(signs []record.SignKind) []record.SignKind { return ordered(signs, signOrder) }

// gradeText lists the signs at the grade that stops or beyond, with the highest of their grades; a grade beyond the scale counts as unsafe.
func (l *Limits) gradeText(signs []record.MechanicsSign) (text string, stops bool) {
	var kinds []record.SignKind
	highest := 0
	for _, s := range signs {
		if s.Grade >= l.stopGrade {
			kinds = append(kinds, s.Sign)
			highest = max(highest, min(s.Grade, UnsafeGrade))
		}
	}
	if len(kinds) == 0 {
		return "", false
	}
	return "grade " + strconv.Itoa(highest) + ": " + listed(kinds, signOrder), true
}

// ordered returns each word once, in the given order; a word outside it comes after, by its spelling.
func ordered[W ~string](words []W, order []W) []W {
	place := func(w W) int {
		if i := slices.Index(order, w); i >= 0 {
			return i
		}
		return len(order)
	}
	sorted := slices.Clone(words)
	slices.SortFunc(sorted, func(a, b W) int {
		if d := place(a) - place(b); d != 0 {
			return d
		}
		return strings.Compare(string(a), string(b))
	})
	return slices.Compact(sorted)
}

// listed writes words as ordered has them, in plain text.
func listed[W ~string](words []W, order []W) string {
	sorted := ordered(words, order)
	plain := make([]string, len(sorted))
	for i, w := range sorted {
		plain[i] = strings.ReplaceAll(string(w), "_", " ")
	}
	return strings.Join(plain, ", ")
}
