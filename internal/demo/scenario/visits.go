package scenario

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// VisitsPerClinic is how many clients each clinic sees on the day.
const VisitsPerClinic = 8

// ending names how one series of one visit is made to end.
type ending struct {
	clinic, visit, series int
	reason                ponderalv1.EndReason
}

// endings are those that are not left to chance; every other series ends as the client wants or by effort.
var endings = []ending{
	{0, 1, 4, ponderalv1.EndReason_END_REASON_MECHANICS},
	{0, 2, 5, ponderalv1.EndReason_END_REASON_HEART_RATE},
	{0, 4, 6, ponderalv1.EndReason_END_REASON_ADMINISTRATIVE},
	{1, 0, 6, ponderalv1.EndReason_END_REASON_SYMPTOM},
	{1, 2, 1, ponderalv1.EndReason_END_REASON_CEILING},
	{1, 6, 3, ponderalv1.EndReason_END_REASON_MECHANICS},
	{1, 5, 2, ponderalv1.EndReason_END_REASON_EFFORT},
	{2, 1, 3, ponderalv1.EndReason_END_REASON_INCOMPLETE},
	{2, 2, 1, ponderalv1.EndReason_END_REASON_HEART_RATE},
	{2, 5, 5, ponderalv1.EndReason_END_REASON_CEILING},
}

// The visits with something particular.
const (
	drugClinic, drugVisit           = 1, 3
	blindClinic, blindVisit         = 0, 5
	unreleasedClinic, unreleasedOne = 2, 7
	reducedClinic, reducedVisit     = 1, 4
	joblessVisit                    = 6
)

// visit makes the i-th visit of the clinic.
func (m *maker) visit(payer *ponderalv1.Payer, c *Clinic, p place, clinic, i int) *Visit {
	person := m.person(p.loads, clinic == drugClinic && i == drugVisit, clinic == blindClinic && i == blindVisit)
	v := &Visit{Client: m.client(person)}
	v.Referral = &ponderalv1.Referral{Id: m.id(), ClientId: v.Client.Id, PayerId: payer.Id,
		ClaimNumber: fmt.Sprintf("LM-%s-%04d", p.tag, 1001+17*i), Question: "Can the client return to the target job, and with what limits?"}
	sixth := i % len(jobs)
	if i != joblessVisit {
		v.Referral.JobProfileId = c.Jobs[sixth].Id
	}
	switch {
	case clinic == unreleasedClinic && i == unreleasedOne:
		v.Remark = "no release: the payer must not see it"
	default:
		v.Release = &ponderalv1.Release{Id: m.id(), ReferralId: v.Referral.Id, PayerId: payer.Id, Purpose: "decision on the claim",
			ExpiresAt: timestamppb.New(m.date.AddDate(1, 0, 0)), WithRawTrials: clinic != reducedClinic || i != reducedVisit}
	}
	if v.Release != nil && !v.Release.WithRawTrials {
		v.Remark = "release without raw trials"
	}
	switch {
	case person.drug:
		v.Remark = "takes a drug that limits the heart rate"
	case person.blind:
		v.Remark = "blinded recipes"
	}
	m.session(c, p, v, person, clinic, i)
	return v
}

func (m *maker) client(p person) *ponderalv1.Client {
	given, family := m.name()
	return &ponderalv1.Client{Id: m.id(), GivenName: given, FamilyName: family, BirthDate: p.born.Format("2006-01-02"), Sex: p.sex}
}

// slot is how long a visit may take; each evaluator sees every other client.
const (
	firstVisit = 7*time.Hour + 30*time.Minute
	slot       = 140 * time.Minute
)

// session makes the visit's session, one series after another.
func (m *maker) session(c *Clinic, p place, v *Visit, person person, clinic, i int) {
	start := m.date.Add(firstVisit + time.Duration(i/2)*slot + time.Duration(m.rng.IntN(12))*time.Minute)
	if i >= 2 {
		// The evaluator's visit before may have taken longer than its slot.
		if free := c.Visits[i-2].Session.EndedAt.AsTime().Add(10 * time.Minute); start.Before(free) {
			start = free
		}
	}
	resting, systolic, diastolic := uint32(person.resting), uint32(108+m.rng.IntN(28)), uint32(66+m.rng.IntN(18))
	s := &ponderalv1.Session{Id: m.id(), ReferralId: v.Referral.Id, EvaluatorId: c.Evaluators[i%2].Id, StartedAt: timestamppb.New(start),
		Screening: &ponderalv1.Screening{RestingHeartRateBpm: &resting, SystolicMmhg: &systolic, DiastolicMmhg: &diastolic, RateLimitingDrug: person.drug}}
	if clinic == overrideClinic && i == overrideVisit {
		high := uint32(screenSystolic + 4)
		s.Screening.SystolicMmhg, s.Screening.OverrideBy = &high, c.Reviewer.Id
		s.Screening.OverrideReason = "settled to 154 after ten minutes of rest; the treating physician was asked and agrees"
		v.Remark = "blood pressure above the screening limit, with a licensed override"
	}
	s.Body = person.body(p.loads)
	at := start.Add(12 * time.Minute)
	for n := 1; n <= SeriesPerVisit; n++ {
		t := testOf(n, i)
		if clinic == retestClinic && i == retestVisit && n == SeriesPerVisit {
			t = testOf(1, i)
			t.blinded, v.Remark = true, "the first series repeated blinded"
		}
		t.end = m.endOf(clinic, i, n)
		if t.end == ponderalv1.EndReason_END_REASON_INCOMPLETE {
			v.Remark = "incomplete: one effort rating is missing"
		}
		series, last := m.series(person, p.loads, c.Kit, t, at)
		series.Number = uint32(n)
		s.Series = append(s.Series, series)
		v.protocols = append(v.protocols, t.protocol)
		v.Ends = append(v.Ends, t.end)
		at = last.Add(4 * time.Minute)
	}
	at = person.further(p.loads, s, i, at)
	s.EndedAt = timestamppb.New(at)
	v.Session = s
}

// endOf looks the end reason up, or draws one.
func (m *maker) endOf(clinic, visit, series int) ponderalv1.EndReason {
	drawn := ponderalv1.EndReason_END_REASON_VOLITIONAL
	if m.rng.IntN(6) == 0 {
		drawn = ponderalv1.EndReason_END_REASON_EFFORT
	}
	for _, e := range endings {
		if e.clinic == clinic && e.visit == visit && e.series == series {
			return e.reason
		}
	}
	return drawn
}

// test is one series to be made.
type test struct {
	zone     ponderalv1.Zone
	pace     ponderalv1.Pace
	protocol string
	end      ponderalv1.EndReason
	// blinded: the client sees codes and never the load, whatever the visit is like.
	blinded bool
}

// testOf says what series n of a visit tests: the sixth is what the target job asks for.
func testOf(n, visit int) test {
	occasional := ponderalv1.Pace_PACE_OCCASIONAL
	switch n {
	case 1:
		return test{zone: ponderalv1.Zone_ZONE_FLOOR_WAIST, pace: occasional, protocol: liftName}
	case 2:
		return test{zone: ponderalv1.Zone_ZONE_WAIST_SHOULDER, pace: occasional, protocol: liftName}
	case 3:
		return test{zone: ponderalv1.Zone_ZONE_SHOULDER_OVERHEAD, pace: occasional, protocol: overheadName}
	case 4:
		return test{zone: ponderalv1.Zone_ZONE_FLOOR_SHOULDER, pace: occasional, protocol: liftName}
	case 5:
		return test{zone: ponderalv1.Zone_ZONE_CARRY, pace: occasional, protocol: carryName}
	}
	switch visit % len(jobs) {
	case 0:
		return test{zone: ponderalv1.Zone_ZONE_FLOOR_WAIST, pace: ponderalv1.Pace_PACE_FREQUENT, protocol: frequentName}
	case 1:
		return test{zone: ponderalv1.Zone_ZONE_PUSH, pace: occasional, protocol: pushPullName}
	}
	return test{zone: ponderalv1.Zone_ZONE_PULL, pace: occasional, protocol: pushPullName}
}
