package bundle

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"ponderal.example/internal/record"
)

// Around holds what an answer of the service says around the bundle (a result of ponderal.v1 as JSON: who signed, when, the decision and so on)
// against what was signed. Nobody has signed it, so a member that is there must say the same; one that is not there, or of which
// the signed document knows nothing, says nothing. doc is what Decode read. A contradiction makes the report one of a failure: it gets the
// step "answer", and the error is ErrNotVerified. A bare bundle, or a report that failed before, is left as it is.
func (r *Report) Around(doc []byte) error {
	if !r.OK {
		return nil
	}
	members := surroundings(doc)
	if members == nil {
		return nil
	}
	step := Step{Name: "answer", Says: "what the answer says around the bundle agrees with the signed result", State: StepOK}
	var against []string
	for _, c := range r.claims() {
		for _, name := range c.names() {
			raw, there := members[name]
			if !there || string(raw) == "null" {
				continue
			}
			if said := scalar(raw); !c.same(said) {
				against = append(against, fmt.Sprintf("the answer around the bundle says %s %q, the signed result says %q", c.name, shortened(said), c.signed))
			}
		}
	}
	if id := scalar(members["supersededBy"]) + scalar(members["superseded_by"]); id != "" && id == r.Document.ID {
		against = append(against, "the answer around the bundle says that the result is replaced by itself")
	}
	var err error
	if len(against) > 0 {
		r.OK, step.State, step.Why = false, StepFailed, strings.Join(against, "; ")
		err = fmt.Errorf("%w: answer: %s", ErrNotVerified, step.Why)
	}
	r.Steps = append(r.Steps, step)
	return err
}

// surroundings are the members beside the bundle, nil where there are none.
func surroundings(doc []byte) map[string]json.RawMessage {
	var object map[string]json.RawMessage
	if json.Unmarshal(doc, &object) != nil {
		return nil
	}
	if inner, ok := object["result"]; ok {
		object = nil
		if json.Unmarshal(inner, &object) != nil {
			return nil
		}
	}
	if _, ok := object["bundle"]; !ok {
		return nil
	}
	return object
}

// claim is a member around the bundle with what the signed document says of the same.
type claim struct {
	name, signed string
	// prefix of the contract's word, for a word.
	prefix string
	// at is set for a time.
	at *record.Time
}

func (r *Report) claims() []claim {
	d := r.Document
	return []claim{
		{name: "id", signed: d.ID},
		{name: "clinic_id", signed: d.Clinic.ID},
		{name: "session_id", signed: d.Session.ID},
		{name: "session_revision", signed: strconv.Itoa(d.SessionRevision)},
		{name: "signed_by", signed: d.Signature.Name},
		{name: "signed_at", signed: d.Signature.At.Std().UTC().Format(time.RFC3339Nano), at: &d.Signature.At},
		{name: "meaning", signed: string(d.Signature.Meaning), prefix: "SIGNATURE_MEANING_"},
		{name: "decision", signed: string(d.Decision), prefix: "JOB_OUTCOME_"},
		{name: "key_id", signed: r.KeyID},
		{name: "supersedes", signed: d.Supersedes},
	}
}

// names are the spellings of the member that readers of the contract's JSON accept.
func (c claim) names() []string {
	first, rest, two := strings.Cut(c.name, "_")
	if !two {
		return []string{c.name}
	}
	return []string{c.name, first + strings.ToUpper(rest[:1]) + rest[1:]}
}

// same reports whether the text says what was signed.
func (c claim) same(said string) bool {
	switch {
	case c.at != nil:
		at, err := time.Parse(time.RFC3339Nano, said)
		return err == nil && at.Equal(c.at.Std())
	case c.prefix != "" && c.signed == "":
		return said == c.prefix+"UNSPECIFIED"
	case c.prefix != "":
		return said == c.prefix+strings.ToUpper(c.signed)
	}
	return said == c.signed
}

// scalar is a string's text, otherwise the JSON as it stands.
func scalar(raw json.RawMessage) string {
	var text string
	if json.Unmarshal(raw, &text) == nil {
		return text
	}
	return string(raw)
}

// shortened keeps a report readable, whatever the answer holds.
func shortened(text string) string {
	if runes := []rune(text); len(runes) > 80 {
		return string(runes[:80]) + "..."
	}
	return text
}
