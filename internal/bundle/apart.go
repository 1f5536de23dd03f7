package bundle

import (
	"errors"
	"fmt"
	"slices"

	"ponderal.example/internal/record"
)

// Split takes the single readings out of a whole document: what stays is what is signed in format 2, apart from the digest, and what is enclosed
// beside it. What stays says what was found: loads of capacities and brackets, how series ended and how many trials there were, remarks with the
// numbers of trials, what hand series came to, indicators of consistency; and the conditions of the day, screening and body
// measures among them. The document given is left as it is.
func Split(doc record.ResultDocument) (record.ResultDocument, record.Enclosed) {
	var e record.Enclosed
	doc.Session, e.Series, e.HandSeries, e.PositionSeries = splitSession(doc.Session)
	doc.Finding.Capacities = slices.Clone(doc.Finding.Capacities)
	e.Capacities = make([]record.EnclosedCapacity, len(doc.Finding.Capacities))
	for i := range doc.Finding.Capacities {
		c := &doc.Finding.Capacities[i]
		e.Capacities[i] = record.EnclosedCapacity{SeriesNumber: c.SeriesNumber, Trials: c.Trials, Mechanics: c.Mechanics, Aerobic: c.Aerobic}
		c.Trials, c.Mechanics, c.Aerobic = []record.TrialVerdict{}, nil, nil
	}
	doc.Finding.Positions = slices.Clone(doc.Finding.Positions)
	for i := range doc.Finding.Positions {
		p := &doc.Finding.Positions[i]
		e.Positions = append(e.Positions, record.EnclosedPosition{SeriesNumber: p.SeriesNumber,
			AskedSeconds: p.AskedSeconds, KeptSeconds: p.KeptSeconds, LongestSeconds: p.LongestSeconds})
		p.AskedSeconds, p.KeptSeconds, p.LongestSeconds = 0, 0, 0
	}
	doc.Corrections = slices.Clone(doc.Corrections)
	for i := range doc.Corrections {
		c := &doc.Corrections[i]
		e.Corrections = append(e.Corrections, record.EnclosedCorrection{Revision: c.Revision, Reason: c.Reason})
		c.Reason = ""
	}
	return doc, e
}

func splitSession(s record.Session) (record.Session, []record.EnclosedSeries, []record.EnclosedHandSeries, []record.EnclosedPositionSeries) {
	s.Series = slices.Clone(s.Series)
	series := make([]record.EnclosedSeries, len(s.Series))
	for i := range s.Series {
		from := &s.Series[i]
		series[i] = record.EnclosedSeries{Number: from.Number, StopNote: from.StopNote, Trials: from.Trials}
		from.StopNote, from.Trials = "", nil
	}
	var hands []record.EnclosedHandSeries
	s.HandSeries = slices.Clone(s.HandSeries)
	for i := range s.HandSeries {
		from := &s.HandSeries[i]
		hands = append(hands, record.EnclosedHandSeries{Number: from.Number, Note: from.Note, Trials: from.Trials})
		from.Note, from.Trials = "", []record.HandTrial{}
	}
	var positions []record.EnclosedPositionSeries
	s.PositionSeries = slices.Clone(s.PositionSeries)
	for i := range s.PositionSeries {
		from := &s.PositionSeries[i]
		positions = append(positions, record.EnclosedPositionSeries{Number: from.Number, Note: from.Note, Bouts: from.Bouts})
		from.Note, from.Bouts = "", nil
	}
	return s, series, hands, positions
}

// Join puts back what Split took out. Parts that do not belong to the document, one too many or too few, are refused by name.
func Join(doc record.ResultDocument, e record.Enclosed) (record.ResultDocument, error) {
	doc.Session.Series = slices.Clone(doc.Session.Series)
	doc.Session.HandSeries = slices.Clone(doc.Session.HandSeries)
	doc.Session.PositionSeries = slices.Clone(doc.Session.PositionSeries)
	doc.Finding.Capacities = slices.Clone(doc.Finding.Capacities)
	doc.Finding.Positions = slices.Clone(doc.Finding.Positions)
	doc.Corrections = slices.Clone(doc.Corrections)
	err := errors.Join(
		put("series", doc.Session.Series, e.Series, func(s *record.Series, p *record.EnclosedSeries) (int, int) {
			s.StopNote, s.Trials = p.StopNote, p.Trials
			return s.Number, p.Number
		}),
		put("hand series", doc.Session.HandSeries, e.HandSeries, func(s *record.HandSeries, p *record.EnclosedHandSeries) (int, int) {
			s.Note, s.Trials = p.Note, p.Trials
			return s.Number, p.Number
		}),
		put("position series", doc.Session.PositionSeries, e.PositionSeries, func(s *record.PositionSeries, p *record.EnclosedPositionSeries) (int, int) {
			s.Note, s.Bouts = p.Note, p.Bouts
			return s.Number, p.Number
		}),
		put("capacity of series", doc.Finding.Capacities, e.Capacities, func(c *record.Capacity, p *record.EnclosedCapacity) (int, int) {
			c.Trials, c.Mechanics, c.Aerobic = p.Trials, p.Mechanics, p.Aerobic
			return c.SeriesNumber, p.SeriesNumber
		}),
		put("tolerance of position series", doc.Finding.Positions, e.Positions, func(t *record.PositionTolerance, p *record.EnclosedPosition) (int, int) {
			t.AskedSeconds, t.KeptSeconds, t.LongestSeconds = p.AskedSeconds, p.KeptSeconds, p.LongestSeconds
			return t.SeriesNumber, p.SeriesNumber
		}),
		put("correction of revision", doc.Corrections, e.Corrections, func(c *record.Correction, p *record.EnclosedCorrection) (int, int) {
			c.Reason = p.Reason
			return c.Revision, p.Revision
		}))
	if err != nil {
		return record.ResultDocument{}, err
	}
	return doc, nil
}

// put pairs the items of a document's list with the enclosed parts, one for one, and says which is the first that has no partner. join puts a
// part into its item and returns the numbers of both.
func put[T, P any](name string, items []T, parts []P, join func(*T, *P) (item, part int)) error {
	for i := range max(len(items), len(parts)) {
		var item T
		var part P
		switch {
		case i >= len(items):
			_, n := join(&item, &parts[i])
			return fmt.Errorf("the raw trials hold a part too many: %s %d", name, n)
		case i >= len(parts):
			n, _ := join(&items[i], &part)
			return fmt.Errorf("the raw trials lack the part: %s %d", name, n)
		}
		if n, p := join(&items[i], &parts[i]); n != p {
			return fmt.Errorf("the raw trials hold a part that is not the signed result's: %s %d where %d belongs", name, p, n)
		}
	}
	return nil
}
