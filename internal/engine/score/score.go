// Package score computes a session's finding. It is a function: no clock, no randomness, no input or output, and the same input
// gives the same bytes on every machine. It puts the engine's packages in their order: guards and acceptance of each trial,
// capacity of each series, the capacity that stands for each zone and pace, strength levels, job match, remarks.
//
// A finding supports a licensed clinician's decision and does not replace it.
package score

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// The versions of the engine's rules. A change that could alter any finding makes a new one; the rules before stay, so that a finding made by
// them can be made again for ever.
const (
	Rules1 = "1"
	Rules2 = "2"
	// Version is the newest.
	Version = Rules2
)

// Versions returns every version of the rules that this program knows, oldest first.
func Versions() []string { return []string{Rules1, Rules2} }

// Known reports whether findings can be made by that version of the rules.
func Known(rules string) bool { return slices.Contains(Versions(), rules) }

// Input is all that a finding depends on. Protocols holds every protocol that a series names, by digest; Kits the kits that series name, by id:
// of one that is not there no calibration is checked. Rules is the version of the rules to score by; empty for the newest.
type Input struct {
	Rules           string
	Session         record.Session
	SessionRevision int
	Person          record.Person
	Protocols       map[string]record.Protocol
	Kits            map[string]record.Kit
	Job             *record.JobProfile
	JobRevision     int
}

// Score computes the finding. The only errors are rules that are not known (fault.Invalid, RULES_UNKNOWN) and an input that lacks a protocol
// named by a series (fault.Invalid, PROTOCOL_UNKNOWN, naming the first such series in the input's order and its digest). Nothing in the input is changed; the finding shares no memory
// with it that anything may write to. Neither the order of series nor that of signs and symptoms alters the finding.
func Score(in Input) (record.Finding, error) {
	if in.Rules != "" && !Known(in.Rules) {
		return record.Finding{}, unknownRules()
	}
	series, err := inOrder(in)
	if err != nil {
		return record.Finding{}, err
	}
	if in.Rules == Rules1 {
		return byRules1(&in, series), nil
	}
	return byRules2(&in, series), nil
}

// begin is a finding before anything was measured.
func begin(in *Input, rules string, series int) record.Finding {
	return record.Finding{
		SessionID:       in.Session.ID,
		SessionRevision: in.SessionRevision,
		Engine:          rules,
		Capacities:      make([]record.Capacity, series),
		Complete:        true,
	}
}

// inOrder returns the session's series by number, or the error that names a protocol which is not there.
func inOrder(in Input) ([]*record.Series, error) {
	series := make([]*record.Series, len(in.Session.Series))
	for i := range in.Session.Series {
		s := &in.Session.Series[i]
		if _, ok := in.Protocols[s.ProtocolDigest]; !ok {
			return nil, unknownProtocol(i, s.ProtocolDigest)
		}
		series[i] = s
	}
	slices.SortStableFunc(series, func(a, b *record.Series) int { return cmp.Compare(a.Number, b.Number) })
	return series, nil
}

func unknownRules() error {
	text := "the rules are one of the versions " + strings.Join(Versions(), ", ")
	err := fault.New(fault.Invalid, "RULES_UNKNOWN", text)
	err.Violations = []fault.Violation{{Field: "rules", Rule: "rules.known", Text: text}}
	return err
}

func unknownProtocol(i int, digest string) error {
	text := "no protocol has the digest " + strconv.Quote(digest)
	err := fault.New(fault.Invalid, "PROTOCOL_UNKNOWN", text)
	err.Violations = []fault.Violation{{
		Field: "session.series[" + strconv.Itoa(i) + "].protocol_digest",
		Rule:  "protocol.published",
		Text:  text,
	}}
	return err
}
