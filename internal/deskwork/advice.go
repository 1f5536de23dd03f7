package deskwork

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/engine/advise"
	"ponderal.example/internal/engine/library"
	"ponderal.example/internal/engine/recipe"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// The words and types of advice, under the names by which the layers above know them.
type (
	// AdviceAction is what comes next.
	AdviceAction = advise.Action
	// AdviceReason is one guard and what it found.
	AdviceReason = advise.Reason
)

// AdviceActions returns every action.
func AdviceActions() []AdviceAction { return advise.Actions() }

// AdviceQuestion is a series so far and all that the next step depends on; pointers are nil where not known, age and stature are 0.
type AdviceQuestion struct {
	Protocol    record.Protocol
	AgeYears    int
	Sex         record.Sex
	BodyMass    *mass.Mass
	StatureMM   int
	Screening   record.Screening
	Kit         *record.Kit
	Zone        record.Zone
	Trials      []record.Trial
	Stop        record.Stop
	Now         record.Time
	RestSeconds *int
	HeartRate   *int
	Symptoms    []record.Symptom
	// LoadTolerance is how far the load of a recipe may be off; DifferFrom are the codes of the inserts from which it must look different.
	LoadTolerance mass.Mass
	DifferFrom    []string
}

// Advised is advice with the recipe of its load and what to keep in mind.
type Advised struct {
	advise.Planned
	Cautions []record.Remark
}

// Advise checks the series so far as a push would and says what comes next and with which inserts.
func Advise(in AdviceQuestion) (Advised, error) {
	if err := fault.InvalidFields(in.Check()); err != nil {
		return Advised{}, err
	}
	p := advise.Plan(&advise.Input{
		Protocol: in.Protocol, Person: advise.Person{AgeYears: in.AgeYears, Sex: in.Sex, BodyMass: in.BodyMass, StatureMM: in.StatureMM},
		Screening: in.Screening, Kit: in.Kit, Series: in.series(), Now: in.Now, RestSeconds: in.RestSeconds, HeartRate: in.HeartRate,
		Symptoms: in.Symptoms,
	}, advise.Wish{Tolerance: in.LoadTolerance, DifferFrom: in.DifferFrom})
	return Advised{Planned: p, Cautions: in.cautions(p.Advice)}, nil
}

func (in AdviceQuestion) series() record.Series {
	s := record.Series{Number: 1, Zone: in.Zone, Pace: in.Protocol.Pace, Stop: in.Stop, Trials: in.Trials}
	if in.Kit != nil {
		s.KitID = in.Kit.ID
	}
	return s
}

// seriesPath is the place of the one series in the session that Check makes up.
const seriesPath = "session.series[0]"

// Check names every rule that the question breaks, beyond those on single fields that the contract declares.
func (in AdviceQuestion) Check() []fault.Violation {
	found := record.CheckProtocol(in.Protocol, "protocol")
	series := in.series()
	kits := map[string]record.Kit{}
	if in.Kit != nil {
		found = append(found, record.CheckKit(*in.Kit, "kit")...)
		kits[in.Kit.ID] = *in.Kit
	}
	if in.BodyMass != nil && in.BodyMass.IsZero() {
		found = append(found, fault.Violation{Field: "body_mass", Rule: "body_mass.positive", Text: "a body mass is more than nothing"})
	}
	found = append(found, in.differs()...)
	s := record.Session{StartedAt: in.Now, EndedAt: in.Now, Screening: in.Screening, Series: []record.Series{series}}
	if len(in.Trials) > 0 {
		s.StartedAt = in.Trials[0].At
	}
	broken := append(record.CheckSession(s, "session"), record.CheckSeriesAgainst(series, map[string]record.Protocol{"": in.Protocol}, kits, seriesPath)...)
	for _, v := range broken {
		if v.Rule == "session.end" {
			// The trial that is later than now is named itself.
			continue
		}
		if v.Rule == "trial.within_session" {
			v.Rule, v.Text = "trial.not_in_future", "a trial does not begin after the present moment"
		}
		v.Field = strings.TrimPrefix(strings.TrimPrefix(v.Field, seriesPath+"."), "session.")
		if v.Field == "kit_id" {
			v.Field = "kit"
		}
		found = append(found, v)
	}
	return found
}

// differs checks the codes from which a recipe must look different: each names an insert of the kit, once.
func (in AdviceQuestion) differs() []fault.Violation {
	if len(in.DifferFrom) == 0 {
		return nil
	}
	if in.Kit == nil {
		return []fault.Violation{{Field: "kit", Rule: "advice.kit_for_recipe", Text: "a recipe that looks different is one of a kit, which is given"}}
	}
	var found []fault.Violation
	seen := make(map[string]bool, len(in.DifferFrom))
	for i, code := range in.DifferFrom {
		if seen[code] || !hasInsert(in.Kit, code) {
			found = append(found, fault.Violation{
				Field: "differ_from_codes[" + strconv.Itoa(i) + "]", Rule: recipe.RuleCode, Text: "each code names an insert of the kit and occurs once",
			})
		}
		seen[code] = true
	}
	return found
}

func hasInsert(kit *record.Kit, code string) bool {
	return slices.ContainsFunc(kit.Inserts, func(p record.Piece) bool { return p.Code == code })
}

// cautions are those of every advice, and more where a series begins and where it ends.
func (in AdviceQuestion) cautions(a advise.Advice) []record.Remark {
	all := []record.Remark{judgement()}
	if len(in.Trials) == 0 {
		all = append(all, record.Remark{Code: "start",
			Text: "Before the first load: the client knows how to stop and that stopping is always right, has no red flag, and the station and the emergency plan are ready. " +
				"Stop at chest pain, dizziness, undue breathlessness, spreading pain, numbness or weakness, whatever the advice."})
	}
	if a.Action == advise.Stop {
		all = append(all, record.Remark{Code: "stop",
			Text: "No further load in this series. Watch the client until heart rate and symptoms have settled, and get medical help where the clinic's emergency plan calls for it. " +
				"To go on in spite of a reason to stop is a licensed clinician's decision, with the reason on record."})
	}
	return all
}

// HouseProtocols are the shipped protocols by digest, in their fixed order: a page, and the cursor of the next one, which is the
// digest of the last protocol shown; empty after the last page. An unknown cursor is refused.
func HouseProtocols(page record.Page) ([]record.NamedProtocol, string, error) {
	var all []record.NamedProtocol
	first := 0
	for i, p := range library.All() {
		text, err := canon.Marshal(p)
		if err != nil {
			return nil, "", fmt.Errorf("name shipped protocol: %w", err)
		}
		named := record.NamedProtocol{Digest: canon.DigestHex(canon.Digest(nil, text)), Protocol: p}
		all = append(all, named)
		if named.Digest == page.Cursor {
			first = i + 1
		}
	}
	if page.Cursor != "" && first == 0 {
		return nil, "", fault.InvalidFields([]fault.Violation{{Field: "page.cursor", Rule: "page.cursor", Text: "the cursor is not one of this list"}})
	}
	rest := all[first:]
	if page.Size < 1 || len(rest) <= page.Size {
		return rest, "", nil
	}
	return rest[:page.Size], rest[page.Size-1].Digest, nil
}
