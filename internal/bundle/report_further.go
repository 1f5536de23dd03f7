package bundle

import (
	"fmt"
	"strings"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// columns is the longest line of a paragraph.
const columns = 100

// wrapped breaks a text between words into lines of at most 100 columns; those after the first stand in by two more.
func (p *printer) wrapped(text string) []string {
	if !p.wrap {
		return []string{text}
	}
	indent := strings.Repeat(" ", len(text)-len(strings.TrimLeft(text, " "))+2)
	var lines []string
	for rest := []rune(text); ; {
		at := columns
		for len(rest) > columns && at > len(indent) && rest[at] != ' ' {
			at--
		}
		if len(rest) <= columns || at <= len(indent) {
			return append(lines, string(rest))
		}
		lines = append(lines, strings.TrimRight(string(rest[:at]), " "))
		rest = []rune(indent + strings.TrimLeft(string(rest[at:]), " "))
	}
}

// item writes a paragraph with a mark before it.
func (p *printer) item(format string, args ...any) {
	p.line("  - %s", strings.Join(strings.Fields(clean(fmt.Sprintf(format, args...))), " "))
}

// title begins a section.
func (p *printer) title(format string, args ...any) {
	p.line("")
	p.line(format, args...)
}

// screening says what the measurements before the tests came to.
func (p *printer) screening(s *record.ScreeningFinding) {
	if s == nil {
		return
	}
	p.title("Screening before the tests: %s", Plain(s.Status))
	for _, g := range s.Guards {
		p.item("%s %s, limit %s", Plain(g.Guard), orDash(g.Measured), orDash(g.Limit))
	}
	for _, m := range s.Missing {
		p.item("not measured: %s", m)
	}
}

// ofSeries says of each series what rules 2 found beside its capacity: the handling, the ceilings and the aerobic demand.
func (p *printer) ofSeries(list []record.Capacity) {
	begun := false
	say := func(format string, args ...any) {
		if !begun {
			p.title("More about the series")
			begun = true
		}
		p.item(format, args...)
	}
	for _, c := range list {
		if m := c.Mechanics; m != nil {
			say("series %d: the handling changed from trial %d (%s) to trial %d (%s), highest grade %d of 3: %s", c.SeriesNumber,
				m.OnsetTrial, BothUnits(m.OnsetLoad), m.EndTrial, BothUnits(m.EndLoad), m.HighestGrade, plainList(m.Signs))
		}
		if a := c.Aerobic; a != nil {
			say("series %d: aerobic demand, estimated: %s %% of the heart-rate reserve in trial %d (%d bpm), sustainable for %s. Source: %s",
				c.SeriesNumber, a.PercentOfReserve, a.Trial, a.SteadyHeartRate, a.SustainableFor, a.Source)
		}
	}
	texts, series := ceilings(list)
	for _, text := range texts {
		say("%s (series %s)", text, strings.Join(series[text], ", "))
	}
}

// ceilings gives each load ceiling once, with the series that it held for.
func ceilings(list []record.Capacity) (texts []string, series map[string][]string) {
	series = map[string][]string{}
	for _, c := range list {
		for _, l := range c.Ceilings {
			text := fmt.Sprintf("load ceiling by %s: %s; %s", Plain(l.Basis), orNone(l.Load), l.Text)
			if series[text] == nil {
				texts = append(texts, text)
			}
			series[text] = append(series[text], fmt.Sprint(c.SeriesNumber))
		}
	}
	return texts, series
}

func plainList[W ~string](list []W) string {
	words := make([]string, len(list))
	for i, w := range list {
		words[i] = Plain(w)
	}
	return strings.Join(words, ", ")
}

func orDash(text string) string {
	if text == "" {
		return "-"
	}
	return text
}

// projected says what was not measured, with the rule.
func (p *printer) projected(list []record.ProjectedCapacity) {
	if len(list) == 0 {
		return
	}
	p.title("Projected by rule, not measured")
	sources := map[string]bool{}
	for _, c := range list {
		p.item("%s, %s: %s, %d %% of series %d (%s)", Plain(c.Zone), c.Pace, BothUnits(c.Load), c.Percent, c.FromSeries, c.FromPace)
	}
	for _, c := range list {
		if !sources[c.Source] {
			p.item("Source: %s", c.Source)
			sources[c.Source] = true
		}
	}
}

// limits says in plain language what the person can do.
func (p *printer) limits(list []record.WorkLimit) {
	if len(list) == 0 {
		return
	}
	p.title("What the person can do")
	for _, l := range list {
		p.item("%s", l.Text)
	}
}

// hands says the strength of each hand with its place among published norms.
func (p *printer) hands(list []record.HandStrength) {
	if len(list) == 0 {
		return
	}
	p.title("Hands (a place among norms is a place in a population, no limit and no measure of effort)")
	for _, h := range list {
		text := fmt.Sprintf("hand series %d: %s, %s hand, %s: %s from %d readings", h.SeriesNumber, Plain(h.Measure), Plain(h.Hand), Plain(h.Procedure),
			BothUnits(h.Strength), h.Trials)
		if h.VariationPercent != "" {
			text += ", variation " + h.VariationPercent + " %"
		}
		for _, n := range h.Norms {
			text += fmt.Sprintf("; percentile %s (%s)", strings.TrimSpace(n.Bound+" "+n.Percentile), n.Source)
		}
		p.item("%s", text)
	}
}

// positions says how much of a day each position was tolerated.
func (p *printer) positions(list []record.PositionTolerance) {
	if len(list) == 0 {
		return
	}
	p.title("Positions, as shares of a working day (a test of minutes does not show a day)")
	for _, t := range list {
		text := fmt.Sprintf("%s: %s (rated %s", Plain(t.Position), Plain(t.Tolerance), Plain(t.Rating))
		if t.Observed != record.NoTolerance {
			text += ", observed " + Plain(t.Observed)
		}
		text += ")"
		if t.AskedSeconds != 0 {
			text += fmt.Sprintf("; kept up %s of %s min asked, longest %s", minutes(t.KeptSeconds), minutes(t.AskedSeconds), minutes(t.LongestSeconds))
		}
		p.item("%s", text)
	}
}

// minutes is 90 seconds as 1:30.
func minutes(seconds int) string { return fmt.Sprintf("%d:%02d", seconds/60, seconds%60) }

// further says what a job asks for beside loads.
func (p *printer) further(j *record.JobMatch) {
	for _, m := range j.Positions {
		tolerated := "not tested"
		if m.Tolerance != record.NoTolerance {
			tolerated = Plain(m.Tolerance)
		}
		p.line("  %s: needs %s, tolerated %s: %s", Plain(m.Position), Plain(m.Demand), tolerated, Plain(m.Verdict))
	}
	for _, h := range j.Hands {
		p.line("  %s: %s, %s hand, needs %s, strength %s: %s", h.Name, Plain(h.Measure), Plain(h.Hand), BothUnits(h.Demand), orNone(h.Strength),
			verdictText(h.Verdict, h.ShortBy, nil))
	}
}

// restsOn says what the recommendation rests on.
func (p *printer) restsOn(list []string) {
	if len(list) > 0 {
		p.line("  The recommendation rests on")
	}
	for _, r := range list {
		p.item("%s", r)
	}
}

// verdictText is a verdict with its shortfall, and beside that the error of the measurement where it is known.
func verdictText(v record.Verdict, short, measurementError *mass.Mass) string {
	switch {
	case short == nil:
		return Plain(v)
	case measurementError == nil:
		return Plain(v) + " by " + BothUnits(*short)
	case v == record.TaskWithinError:
		return "short by " + BothUnits(*short) + ", within the error of measurement of " + BothUnits(*measurementError)
	}
	return Plain(v) + " by " + BothUnits(*short) + ", beyond the error of measurement of " + BothUnits(*measurementError)
}

// consistency gives the numbers and what they are held against. It says nothing about the person.
func (p *printer) consistency(c *record.Consistency) {
	if c == nil {
		return
	}
	p.title("Consistency of the measurements")
	p.item("%s", c.Summary)
	p.item("%s", c.Caution)
	p.line("")
	p.line("  %-20s %-6s %-9s %s", "indicator", "series", "state", "figures")
	for _, i := range c.Indicators {
		if i.State != record.IndicatorNotAssessed {
			p.line("  %-20s %-6s %-9s %s", Plain(i.Kind), seriesOrDash(i.Series), Plain(i.State), figures(i))
		}
	}
	for _, i := range c.Indicators {
		if i.State == record.IndicatorNotAssessed {
			p.line("  %-20s %-6s not assessed: %s", Plain(i.Kind), seriesOrDash(i.Series), figures(i))
		}
	}
	p.line("")
	p.line("  What they are held against")
	for _, r := range c.Rules {
		text := fmt.Sprintf("%s: expected: %s; threshold: %s; source: %s.", Plain(r.Kind), r.Expected, r.Threshold, r.Source)
		if r.Critique != "" {
			text += " Against it: " + r.Critique
		}
		p.item("%s", text)
	}
}

func seriesOrDash(number int) string {
	if number == 0 {
		return "-"
	}
	return fmt.Sprint(number)
}

// figures are an indicator's numbers, and what is to be borne in mind.
func figures(i record.Indicator) string {
	var all []string
	if i.Value != "" {
		all = append(all, strings.TrimSpace(i.Value+" "+i.Unit))
	}
	if i.P != "" {
		all = append(all, fmt.Sprintf("p %s (%s, n %d)", i.P, Plain(i.Method), i.Pairs))
	}
	if i.Slope != "" {
		all = append(all, "slope "+i.Slope+" "+i.SlopeUnit)
	}
	if i.Reason != "" {
		all = append(all, i.Reason)
	}
	return strings.Join(all, "; ")
}
