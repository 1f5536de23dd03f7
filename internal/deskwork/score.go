package deskwork

import (
	"fmt"
	"strconv"
	"strings"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// Scoring is a whole session document: all that its finding depends on. Revisions go into the finding; 0 where nothing is stored. Rules is
// the version of the engine's rules to score by; empty for the newest.
type Scoring struct {
	Rules           string
	Session         record.Session
	SessionRevision int
	Person          record.Person
	Protocols       []record.NamedProtocol
	Job             *record.JobProfile
	JobRevision     int
	Kits            []record.Kit
}

// Scored is a finding with what to keep in mind.
type Scored struct {
	Finding  record.Finding
	Cautions []record.Remark
}

// Score checks the document as a push would and scores it. Recipes are checked against the kits that are given.
func Score(in Scoring) (Scored, error) {
	if err := fault.InvalidFields(in.Check()); err != nil {
		return Scored{}, err
	}
	f, err := score.Score(score.Input{
		Rules: in.Rules, Session: in.Session, SessionRevision: in.SessionRevision, Person: in.Person, Protocols: in.protocols(), Kits: in.kits(),
		Job: in.Job, JobRevision: in.JobRevision,
	})
	if err != nil {
		return Scored{}, fmt.Errorf("score session: %w", err)
	}
	return Scored{Finding: f, Cautions: in.cautions()}, nil
}

// Check names every rule that the document breaks, beyond those on single fields that the contract declares.
func (in Scoring) Check() []fault.Violation {
	found := record.CheckSession(in.Session, "session")
	if in.Rules != "" && !score.Known(in.Rules) {
		found = append(found, fault.Violation{Field: "rules", Rule: "rules.known", Text: "the engine has the rules " + strings.Join(score.Versions(), ", ")})
	}
	for i, p := range in.Protocols {
		found = append(found, checkNamed(p, "protocols["+strconv.Itoa(i)+"]")...)
	}
	kits := map[string]record.Kit{}
	for i, k := range in.Kits {
		at := "kits[" + strconv.Itoa(i) + "]"
		found = append(found, record.CheckKit(k, at)...)
		if _, twice := kits[k.ID]; twice {
			found = append(found, fault.Violation{Field: at + ".id", Rule: "kit.once", Text: "each kit is given once"})
		}
		kits[k.ID] = k
	}
	protocols := in.protocols()
	for i, s := range in.Session.Series {
		if _, given := kits[s.KitID]; !given {
			s.KitID = ""
		}
		found = append(found, atDesk(record.CheckSeriesAgainst(s, protocols, kits, "session.series["+strconv.Itoa(i)+"]"))...)
	}
	if in.Job != nil {
		found = append(found, record.CheckJobProfile(*in.Job, "job_profile")...)
	}
	return found
}

// checkNamed checks a protocol and that it has the digest by which the series name it.
func checkNamed(p record.NamedProtocol, at string) []fault.Violation {
	found := record.CheckProtocol(p.Protocol, at+".protocol")
	text, err := canon.Marshal(p.Protocol)
	if err != nil {
		return append(found, fault.Violation{Field: at + ".protocol", Rule: "protocol.canonical", Text: "the protocol has no canonical form"})
	}
	if digest := canon.DigestHex(canon.Digest(nil, text)); digest != p.Digest {
		found = append(found, fault.Violation{Field: at + ".digest", Rule: "protocol.digest", Text: "the digest of this protocol is " + digest})
	}
	return found
}

// atDesk says in the words of a desk what a clinic's store would be asked for.
func atDesk(found []fault.Violation) []fault.Violation {
	for i := range found {
		if found[i].Rule == "protocol.published" {
			found[i].Rule, found[i].Text = "protocol.given", "the protocol is one of those given in protocols"
		}
	}
	return found
}

func (in Scoring) protocols() map[string]record.Protocol {
	all := make(map[string]record.Protocol, len(in.Protocols))
	for _, p := range in.Protocols {
		all[p.Digest] = p.Protocol
	}
	return all
}

// kits are the kits by id, as series name them.
func (in Scoring) kits() map[string]record.Kit {
	all := make(map[string]record.Kit, len(in.Kits))
	for _, k := range in.Kits {
		all[k.ID] = k
	}
	return all
}

func (in Scoring) cautions() []record.Remark {
	all := []record.Remark{judgement()}
	for _, s := range in.Session.Series {
		if in.recipesUnchecked(s) {
			all = append(all, record.Remark{Code: "recipes_not_checked",
				Text: "Series " + strconv.Itoa(s.Number) + ": its kit is not given, so the loads were not checked against the recipes."})
		}
	}
	return all
}

func (in Scoring) recipesUnchecked(s record.Series) bool {
	for _, k := range in.Kits {
		if k.ID == s.KitID {
			return false
		}
	}
	for i := range s.Trials {
		if len(s.Trials[i].InsertCodes) > 0 {
			return true
		}
	}
	return false
}
