package demo

import (
	"context"
	"errors"
	"fmt"
	"strings"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/demo/scenario"
)

// scores shows what the engine computed: everyone in two tables, one client in full.
func (s *story) scores(ctx context.Context) error {
	for _, d := range s.clinics {
		if err := s.fetchFindings(ctx, d); err != nil {
			return err
		}
	}
	s.capacities()
	s.strength()
	return s.inFull(s.clinics[0], s.clinics[0].Visits[0])
}

// fetchFindings pages through the clinic's findings and wants one for each session.
func (s *story) fetchFindings(ctx context.Context, d *clinicDay) error {
	cursor, seen := "", map[string]bool{}
	for {
		got, err := caller.Do[ponderalv1.ListFindingsResponse](ctx, d.reviewer, "FindingService/ListFindings",
			&ponderalv1.ListFindingsRequest{Page: &ponderalv1.Page{Size: 5, Cursor: cursor}})
		if err != nil {
			return err
		}
		for _, f := range got.GetFindings() {
			seen[f.GetSessionId()] = true
			d.findings[f.GetSessionId()] = f
		}
		if cursor = got.GetNextCursor(); cursor == "" || len(got.GetFindings()) == 0 {
			break
		}
	}
	for _, v := range d.Visits {
		if !seen[v.Session.Id] {
			return fmt.Errorf("%s: no finding of session %s in the list", d.Clinic.Clinic.Name, v.Session.Id)
		}
	}
	return nil
}

// capacities shows the highest accepted load and the end reason of every series.
func (s *story) capacities() {
	s.p.say("Capacity: the highest accepted load of each series, and why the series ended (vol: the client wanted no more, eff: effort rating at the stop, " +
		"hrt: heart rate, mec: mechanics grade 3, sym: symptom, cei: load ceiling, adm: administrative, inc: a measurement is missing). " +
		"The first five are at occasional pace; the sixth is named.")
	header := []string{"client", "floor-waist", "waist-sh.", "overhead", "floor-sh.", "carry", "sixth"}
	for _, d := range s.clinics {
		s.p.blank()
		s.p.line("  %s, in %s", d.Clinic.Clinic.Name, unitWord(d.Clinic.Clinic.DisplayUnit))
		var rows [][]string
		for _, v := range d.Visits {
			row := []string{shortName(v.Client)}
			for i, c := range d.findings[v.Session.Id].GetCapacities() {
				cell := numberOf(c.GetLoad()) + " " + endShort(c.GetEndReason())
				if i == 5 {
					cell = sixth(c) + " " + cell
				}
				row = append(row, cell)
			}
			rows = append(rows, row)
		}
		s.p.table(header, " rrrrrr", rows)
	}
}

func numberOf(m *ponderalv1.Mass) string {
	if m == nil {
		return "-"
	}
	return m.GetValue()
}

func sixth(c *ponderalv1.Capacity) string {
	if c.GetPace() == ponderalv1.Pace_PACE_OCCASIONAL {
		return zoneWord(c.GetZone())
	}
	return paceWord(c.GetPace())
}

// strength shows the level of each person with what limits it, and the match with the target job.
func (s *story) strength() {
	s.p.blank()
	s.p.say("Strength level (US Dictionary of Occupational Titles, Appendix C): the lowest of the zones that the target job needs, or of all lifting zones " +
		"where there is no job. In brackets: up to what load the person works within the next level. Then the zone that limits it, measured where it does not " +
		"say otherwise, and the job match that the engine recommends.")
	var rows [][]string
	for _, d := range s.clinics {
		for _, v := range d.Visits {
			f := d.findings[v.Session.Id]
			rows = append(rows, []string{shortName(v.Client), levelOf(f.GetOverall()), limits(f), demandOf(f), outcomeWord(f.GetJob().GetOutcome())})
		}
	}
	s.p.table([]string{"client", "strength level", "limited by", "job", "recommendation"}, "", rows)
	var remarks []string
	for _, d := range s.clinics {
		for _, v := range d.Visits {
			if v.Remark != "" {
				remarks = append(remarks, fullName(v.Client)+": "+v.Remark)
			}
		}
	}
	s.p.say("Particular visits: %s.", strings.Join(remarks, "; "))
}

func levelOf(z *ponderalv1.ZoneStrength) string {
	if z == nil {
		return "-"
	}
	text := levelWord(z.GetLevel())
	if z.GetWithin() != ponderalv1.StrengthLevel_STRENGTH_LEVEL_UNSPECIFIED {
		text += fmt.Sprintf(" (to %s)", massWord(z.GetWithinUpTo()))
	}
	return text
}

// limits names the series that keeps the person from the next level.
func limits(f *ponderalv1.Finding) string {
	z := f.GetOverall()
	if z.GetLimitingSeries() == 0 {
		return "-"
	}
	if z.GetBasis() == ponderalv1.Basis_BASIS_MEASURED {
		return shortZone(z.GetZone())
	}
	return fmt.Sprintf("%s, %s", shortZone(z.GetZone()), basisWord(z.GetBasis()))
}

func demandOf(f *ponderalv1.Finding) string {
	if f.GetJob() == nil {
		return "no target job"
	}
	title, _, _ := strings.Cut(f.GetJob().GetTitle(), " (")
	return title
}

// inFull shows one client's finding.
func (s *story) inFull(d *clinicDay, v *scenario.Visit) error {
	f := d.findings[v.Session.Id]
	if len(f.GetCapacities()) != scenario.SeriesPerVisit || f.GetOverall() == nil || f.GetJob() == nil {
		return errors.New("the finding of the first session lacks capacities, a strength level or a job match")
	}
	s.p.blank()
	s.p.say("One client in full: %s, session %s, engine rules %s.", fullName(v.Client), v.Session.Id, f.GetEngine())
	var rows [][]string
	for _, c := range f.GetCapacities() {
		rows = append(rows, []string{zoneWord(c.GetZone()), paceWord(c.GetPace()), massWord(c.GetLoad()), massWord(c.GetBracketTo()), endWord(c.GetEndReason()),
			fmt.Sprintf("%d/%d", c.GetAcceptedTrials(), c.GetTotalTrials())})
	}
	s.p.table([]string{"zone", "pace", "capacity", "bracket to", "end reason", "accepted"}, "  rr r", rows)
	job := f.GetJob()
	s.p.blank()
	s.p.line("  %s: demands %s; recommendation: %s", job.GetTitle(), levelWord(job.GetDemand()), outcomeWord(job.GetOutcome()))
	rows = nil
	for _, t := range job.GetTasks() {
		rows = append(rows, []string{t.GetTask(), shortZone(t.GetZone()), paceWord(t.GetPace()), massWord(t.GetDemand()), massWord(t.GetCapacity()), verdictOf(t)})
	}
	s.p.table([]string{"task", "zone", "pace", "demand", "capacity", "verdict"}, "   rr", rows)
	for _, m := range job.GetMissing() {
		s.p.item("missing: %s", m)
	}
	for _, r := range f.GetRemarks() {
		s.p.item("%s", r.GetText())
	}
	if err := s.further(f); err != nil {
		return err
	}
	s.p.blank()
	s.p.say("The engine recommends; the reviewer decides. Not a diagnosis. Local codes and licensed practice come first.")
	return nil
}

func verdictOf(t *ponderalv1.TaskMatch) string {
	switch {
	case t.GetVerdict() == ponderalv1.TaskVerdict_TASK_VERDICT_WITHIN_ERROR:
		return "within error"
	case t.GetShortBy() != nil:
		return "short by " + massWord(t.GetShortBy())
	}
	return verdictWord(t.GetVerdict())
}
