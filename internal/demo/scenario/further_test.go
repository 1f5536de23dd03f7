package scenario_test

import (
	"testing"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/scenario"
)

// TestWhatIsMeasuredBesideLoads: every client's body is measured; what a job asks of hands and positions is tested; one screening is
// overridden by name and with a reason; one series is a blinded repetition; one position is not kept up.
func TestWhatIsMeasuredBesideLoads(t *testing.T) {
	overridden, repeated, short := 0, 0, 0
	for _, c := range scenario.New(1, date).Clinics {
		for i, v := range c.Visits {
			s, job := v.Session, c.Jobs[i%len(c.Jobs)]
			if s.Body.GetStatureMm() == 0 || s.Body.GetBodyMass() == nil {
				t.Errorf("session %s lacks measures of the body", s.Id)
			}
			if len(job.Hands) > 0 != (len(s.HandSeries) > 0) || len(job.Positions) != len(s.PositionSeries) {
				t.Errorf("session %s tests %d hands and %d positions; its job asks for %d and %d", s.Id, len(s.HandSeries), len(s.PositionSeries), len(job.Hands), len(job.Positions))
			}
			if s.Screening.OverrideReason != "" && s.Screening.OverrideBy == c.Reviewer.Id {
				overridden++
			}
			first, last := s.Series[0], s.Series[len(s.Series)-1]
			if last.Zone == first.Zone && last.Pace == first.Pace && last.Trials[0].Blinded && !first.Trials[0].Blinded {
				repeated++
			}
			for _, p := range s.PositionSeries {
				if p.Bouts[0].EndedBy != ponderalv1.BoutEnd_BOUT_END_COMPLETED {
					short++
				}
			}
		}
	}
	if overridden != 1 || repeated != 1 || short != 3 {
		t.Errorf("%d overridden, %d repeated, %d positions not kept up; want 1, 1 and one a clinic", overridden, repeated, short)
	}
}
