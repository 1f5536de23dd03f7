package consistency

import (
	"testing"

	"ponderal.example/internal/record"
)

// TestWhatEndsTheClimb: a change in mechanics near the end is looked for in a series that the person's limit ended, by the end that was worked
// out or else by what the last trial of the climb shows; a lighter retest after it is no part of the climb. Common practice, no source.
func TestWhatEndsTheClimb(t *testing.T) {
	no, yes := false, true
	rows := []row{{10, 4, 80, 0}, {20, 6, 90, 0}, {30, 8, 100, 1}}
	for name, c := range map[string]struct {
		change func(*record.Series)
		end    record.EndReason
		want   State
	}{
		"nothing tells":                {func(*record.Series) {}, "", NotAssessed},
		"no more possible":             {func(s *record.Series) { s.Trials[2].MorePossible = &no }, "", Agrees},
		"more possible":                {func(s *record.Series) { s.Trials[2].MorePossible = &yes }, "", NotAssessed},
		"not sustainable":              {func(s *record.Series) { s.Trials[2].Sustainable = &no }, "", Agrees},
		"broken off":                   {func(s *record.Series) { s.Trials[2].MorePossible, s.Stop = &no, record.StopAdministrative }, "", NotAssessed},
		"worked out: by will":          {func(s *record.Series) { s.Stop = record.StopAdministrative }, record.EndVolitional, Agrees},
		"worked out: effort":           {func(*record.Series) {}, record.EndEffort, Agrees},
		"worked out: mechanics":        {func(*record.Series) {}, record.EndMechanics, Agrees},
		"worked out: heart rate":       {func(s *record.Series) { s.Stop = record.StopVolitional }, record.EndHeartRate, NotAssessed},
		"three lighter retests follow": {func(s *record.Series) { s.Trials = append(s.Trials, s.Trials[0], s.Trials[0], s.Trials[0]) }, record.EndEffort, Agrees},
		"the same load follows twice":  {func(s *record.Series) { s.Trials = append(s.Trials, rated30(s), rated30(s)) }, record.EndEffort, Mixed},
	} {
		s := series(1, rows...)
		s.Stop = ""
		c.change(&s)
		for k := range s.Trials {
			s.Trials[k].Number = k + 1
		}
		r := Of(Input{Series: []record.Series{s}, Settings: DefaultSettings(), EndOf: func(int) record.EndReason { return c.end }})
		if got := find(t, r, MechanicsNearEnd, 1); got.State != c.want {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// rated30 is the heaviest trial again, steady.
func rated30(s *record.Series) record.Trial {
	t := s.Trials[2]
	t.Signs = nil
	return t
}
