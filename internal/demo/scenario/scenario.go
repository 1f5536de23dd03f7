// Package scenario makes the working day of an invented network, for the demonstration: clinics, people, kits, protocols, jobs, clients
// and the sessions of one day. Nothing in it is a real person, company or measurement.
//
// It is a function of a seed and a date: the same two give the same day, ids included. The numbers behave as the trade's do (effort and heart
// rate rise with the load, with a little noise; most clients stop at an effort rating of 6 or 7), but they are drawn from a simple model of
// our own and are evidence of nothing.
package scenario

import (
	"math/rand/v2"
	"time"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// Network is the name of the invented network.
const Network = "Harbour and Hill Work Rehabilitation (an invented network)"

// SeriesPerVisit is how many series each session has: the four lifting zones, carry, and one at frequent pace or a push or pull.
const SeriesPerVisit = 6

// Day is the whole scenario.
type Day struct {
	// Date is midnight UTC of the day on which the sessions take place.
	Date    time.Time
	Payer   *ponderalv1.Payer
	Clinics []*Clinic

	maker *maker
}

// Clinic is one clinic with its people, loads, protocols, jobs and visits.
type Clinic struct {
	Clinic     *ponderalv1.Clinic
	Admin      *ponderalv1.Member
	Reviewer   *ponderalv1.Member
	Evaluators []*ponderalv1.Member
	Kit        *ponderalv1.Kit
	Protocols  []*ponderalv1.Protocol
	Jobs       []*ponderalv1.JobProfile
	Visits     []*Visit
}

// Members returns everyone who works at the clinic.
func (c *Clinic) Members() []*ponderalv1.Member {
	return append([]*ponderalv1.Member{c.Admin, c.Reviewer}, c.Evaluators...)
}

// Visit is one client's visit.
type Visit struct {
	Client   *ponderalv1.Client
	Referral *ponderalv1.Referral
	// Release is nil where the client has authorized nothing.
	Release *ponderalv1.Release
	// Session lacks the protocols' digests until Bind.
	Session *ponderalv1.Session
	// Ends says for each series how it was made to end; the engine is to find the same.
	Ends []ponderalv1.EndReason
	// Remark says what is particular about the visit; empty for most.
	Remark string

	protocols []string
}

// Bind fills in the digests of the published protocols, by their names. It reports the first name that is missing.
func (v *Visit) Bind(digests map[string]string) (missing string, ok bool) {
	for i, name := range v.protocols {
		digest := digests[name]
		if digest == "" {
			return name, false
		}
		v.Session.Series[i].ProtocolDigest = digest
	}
	return "", true
}

// ProtocolName is the name of the protocol of a series, counted from 0.
func (v *Visit) ProtocolName(series int) string { return v.protocols[series] }

// Complete reports whether no series lacks a measurement.
func (v *Visit) Complete() bool {
	for _, end := range v.Ends {
		if end == ponderalv1.EndReason_END_REASON_INCOMPLETE {
			return false
		}
	}
	return true
}

// maker holds the one source of chance.
type maker struct {
	rng   *rand.Rand
	date  time.Time
	ids   int64
	names int
}

// New makes the day that begins at midnight UTC of date.
func New(seed uint64, date time.Time) *Day {
	m := &maker{rng: rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15)), date: date.UTC().Truncate(24 * time.Hour)}
	day := &Day{maker: m, Date: m.date, Payer: &ponderalv1.Payer{Id: m.id(), Name: "Lantern Mutual (invented)"}}
	for i, place := range places {
		day.Clinics = append(day.Clinics, m.clinic(day.Payer, i, place))
	}
	return day
}

// place is what is fixed about a clinic.
type place struct {
	name  string
	loads loads
	tag   string
}

var places = []place{
	{name: "Gullwing Quay Clinic (invented)", loads: pounds, tag: "GQ"},
	{name: "Mossbank Hill Clinic (invented)", loads: pounds, tag: "MH"},
	{name: "Saltmarsh Lane Clinic (invented)", loads: kilograms, tag: "SL"},
}

func (m *maker) clinic(payer *ponderalv1.Payer, index int, p place) *Clinic {
	c := &Clinic{
		Clinic:     &ponderalv1.Clinic{Id: m.id(), Name: p.name, DisplayUnit: p.loads.unit},
		Admin:      m.member("clinic administrator", ponderalv1.Role_ROLE_CLINIC_ADMIN),
		Reviewer:   m.member("physical therapist, licence "+p.tag+"-0417 (invented)", ponderalv1.Role_ROLE_REVIEWER),
		Evaluators: []*ponderalv1.Member{m.evaluator(p.tag, "2210"), m.evaluator(p.tag, "2211")},
		Kit:        m.kit(p),
		Protocols:  p.loads.protocols(),
	}
	for _, job := range jobs {
		c.Jobs = append(c.Jobs, m.job(job, p.loads))
	}
	for i := range VisitsPerClinic {
		c.Visits = append(c.Visits, m.visit(payer, c, p, index, i))
	}
	return c
}

func (m *maker) evaluator(tag, number string) *ponderalv1.Member {
	return m.member("occupational therapist, licence "+tag+"-"+number+" (invented)", ponderalv1.Role_ROLE_EVALUATOR)
}

func (m *maker) member(credential string, role ponderalv1.Role) *ponderalv1.Member {
	given, family := m.name()
	return &ponderalv1.Member{Id: m.id(), Name: given + " " + family, Credential: credential, Roles: []ponderalv1.Role{role}}
}
