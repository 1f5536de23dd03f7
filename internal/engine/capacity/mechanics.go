package capacity

import (
	"slices"

	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/record"
)

// shiftGrade is the lowest grade of a sign that is a change: 0 is steady.
const shiftGrade = 1

// Mechanics says where a series shows changes in how the loads were handled: the first trial by number with a sign of grade 1 or more, the
// last one, the highest grade (beyond 3 counts as 3) and every such sign once, in the order of record's constants. Every trial counts, whatever
// became of it. Nil where no such sign was seen. It depends on neither the order of trials nor that of signs.
func Mechanics(trials []record.Trial) *record.MechanicsChange {
	var m *record.MechanicsChange
	ordered := Ordered(trials)
	for i := range ordered {
		t := &ordered[i]
		for _, s := range t.Signs {
			if s.Grade < shiftGrade {
				continue
			}
			if m == nil {
				m = &record.MechanicsChange{OnsetTrial: t.Number, OnsetLoad: t.Load}
			}
			m.EndTrial, m.EndLoad = t.Number, t.Load
			m.HighestGrade = max(m.HighestGrade, min(s.Grade, guard.UnsafeGrade))
			if !slices.Contains(m.Signs, s.Sign) {
				m.Signs = append(m.Signs, s.Sign)
			}
		}
	}
	if m != nil {
		m.Signs = guard.InOrder(m.Signs)
	}
	return m
}
