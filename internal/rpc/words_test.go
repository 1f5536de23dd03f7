package rpc

import (
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/record"
)

// checkWords demands that every value but the unspecified one has a word of its own which leads back to it.
func checkWords[E interface {
	~int32
	protoreflect.Enum
}, W ~string](t *testing.T, table words[E, W]) {
	t.Helper()
	var zero E
	values := zero.Descriptor().Values()
	for i := range values.Len() {
		v := E(values.Get(i).Number())
		word, ok := table.word(v)
		if v == 0 {
			if ok {
				t.Errorf("%s: the unspecified value has the word %q", values.Get(i).FullName(), word)
			}
			continue
		}
		if !ok || word == "" {
			t.Errorf("%s has no word", values.Get(i).FullName())
			continue
		}
		if back, ok := table.value(word); !ok || back != v {
			t.Errorf("%s: the word %q leads to %v", values.Get(i).FullName(), word, back)
		}
	}
	if len(table.toWord) != values.Len()-1 || len(table.toValue) != len(table.toWord) {
		t.Errorf("%s: %d words, %d ways back, for %d values", zero.Descriptor().FullName(), len(table.toWord), len(table.toValue), values.Len())
	}
}

// checkKnown demands that every word that the records list has a value.
func checkKnown[E ~int32, W ~string](t *testing.T, table words[E, W], known []W) {
	t.Helper()
	for _, word := range known {
		if _, ok := table.value(word); !ok {
			t.Errorf("the word %q has no value", word)
		}
	}
	if len(known) != len(table.toValue) {
		t.Errorf("the records list %d words, the table has %d", len(known), len(table.toValue))
	}
}

func TestWords(t *testing.T) {
	checkWords(t, units)
	checkWords(t, zones)
	checkWords(t, paces)
	checkWords(t, levels)
	checkWords(t, sexes)
	checkWords(t, roles)
	checkWords(t, endReasons)
	checkWords(t, stops)
	checkWords(t, signs)
	checkWords(t, symptoms)
	checkWords(t, trialStatuses)
	checkWords(t, bases)
	checkWords(t, verdicts)
	checkWords(t, outcomes)
	checkWords(t, meanings)
	checkWords(t, formulae)
	checkWords(t, repetitionKinds)
	checkWords(t, adviceActions)
	checkWords(t, handMeasures)
	checkWords(t, handSides)
	checkWords(t, handProcedures)
	checkWords(t, boutEnds)
	checkWords(t, positionKinds)
	checkWords(t, tolerances)
	checkWords(t, screeningStatuses)
	checkWords(t, indicatorStates)
	checkKnown(t, handMeasures, record.HandMeasures())
	checkKnown(t, handSides, record.Hands())
	checkKnown(t, positionKinds, record.Positions())
	checkKnown(t, tolerances, record.Tolerances())
	checkKnown(t, adviceActions, deskwork.AdviceActions())
	checkKnown(t, zones, record.Zones())
	checkKnown(t, paces, record.Paces())
	checkKnown(t, levels, record.Levels())
	checkKnown(t, roles, record.Roles())
}

func TestUnknownWordsAreErrors(t *testing.T) {
	w := &writer{}
	if say(w, zones, record.Zone("ceiling")); w.err == nil {
		t.Error("a word that the contract cannot say was written")
	}
	w = &writer{}
	if sayOrNone(w, zones, ""); w.err != nil {
		t.Errorf("an empty word that may be: %v", w.err)
	}
	w = &writer{}
	if w.number(-1); w.err == nil {
		t.Error("a negative number was written")
	}
	w = &writer{}
	if w.long(-1); w.err == nil {
		t.Error("a negative long number was written")
	}
}
