package demo

import (
	"errors"
	"fmt"
	"strings"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// further shows in short what a finding says beside capacities: what the recommendation rests on, the limits in plain language, and how the
// measurements hang together, with its caution. A finding that lacks one of them is an error.
func (s *story) further(f *ponderalv1.Finding) error {
	job, c := f.GetJob(), f.GetConsistency()
	if len(job.GetRestsOn()) == 0 || len(f.GetLimits()) == 0 || c.GetAssessed() == 0 || c.GetCaution() == "" {
		return errors.New("the finding of the first session lacks limits, consistency or what its recommendation rests on")
	}
	s.p.line("  The recommendation rests on")
	for _, text := range job.GetRestsOn() {
		s.p.item("%s", text)
	}
	s.p.blank()
	s.p.line("  What the client can do")
	var shown, projected []string
	for _, l := range f.GetLimits() {
		if l.GetBasis() == ponderalv1.Basis_BASIS_PROJECTED {
			projected = append(projected, l.GetText())
			continue
		}
		shown = append(shown, l.GetText())
	}
	for _, text := range shown {
		s.p.item("%s", text)
	}
	if len(projected) > 0 {
		s.p.item("and %d loads at further paces, projected by rule and not measured; they are in the signed result", len(projected))
	}
	s.p.blank()
	s.p.fact("screening", "%s", plain("SCREENING_STATUS_", f.GetScreening().GetStatus()))
	s.p.fact("consistency", "%s", kOfN(c))
	s.p.fact("", "%s", c.GetCaution())
	return nil
}

// kOfN says how many indicators agree, and which do not.
func kOfN(c *ponderalv1.Consistency) string {
	text := fmt.Sprintf("%d of %d assessed indicators agree (%d mixed, %d disagree, %d not assessed)", c.GetAgree(), c.GetAssessed(), c.GetMixed(),
		c.GetDisagree(), c.GetNotAssessed())
	var apart []string
	for _, i := range c.GetIndicators() {
		if state := indicatorWord(i); state == "mixed" || state == "disagrees" {
			apart = append(apart, fmt.Sprintf("%s of series %d %s", strings.ReplaceAll(i.GetKind(), "_", " "), i.GetSeriesNumber(), state))
		}
	}
	if len(apart) == 0 {
		return text
	}
	return text + ": " + strings.Join(apart, ", ")
}

func indicatorWord(i *ponderalv1.Indicator) string { return plain("INDICATOR_STATE_", i.GetState()) }
