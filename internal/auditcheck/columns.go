package auditcheck

import (
	"bytes"
	"encoding/json"
	"io"
	"slices"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// Some columns repeat what a body says, so that it can be found. The log has digests of bodies only, so each is compared with its body. An
// empty answer says that they agree.

const unreadable = "stored content cannot be read"

// strict decodes one JSON value that has no member we do not know.
func strict(doc []byte, v any) bool {
	d := json.NewDecoder(bytes.NewReader(doc))
	d.DisallowUnknownFields()
	if d.Decode(v) != nil {
		return false
	}
	_, err := d.Token()
	return err == io.EOF
}

// differing names the columns that are not as they should be.
type differing []string

func (d *differing) want(column string, same bool) {
	if !same {
		*d = append(*d, column)
	}
}

func (d differing) words(than string) string {
	switch len(d) {
	case 0:
		return ""
	case 1:
		return "column " + d[0] + " is not what " + than + " says"
	}
	return "columns " + joinWords(d) + " are not what " + than + " says"
}

func joinWords(words []string) string {
	out := words[0]
	for i, w := range words[1:] {
		if i == len(words)-2 {
			out += " and " + w
		} else {
			out += ", " + w
		}
	}
	return out
}

func sessionColumns(s store.SessionScan) string {
	v, ok := membersOf(s.Body, "id", "clinic_id", "referral_id")
	if !ok {
		return unreadable
	}
	var d differing
	d.want("id", v.is("id", s.ID))
	d.want("clinic_id", v.is("clinic_id", s.ClinicID))
	d.want("referral_id", v.is("referral_id", s.ReferralID))
	return d.words("its content")
}

func trialColumns(t store.TrialScan) string {
	v, ok := membersOf(t.Body, "number")
	if !ok {
		return unreadable
	}
	var d differing
	d.want("trial_number", v.number("number", int64(t.Number)))
	return d.words("its content")
}

func findingColumns(f store.DocScan) string {
	v, ok := membersOf(f.Body, "session_id", "session_revision")
	if !ok {
		return unreadable
	}
	var d differing
	d.want("id", v.is("session_id", f.ID))
	d.want("revision", v.number("session_revision", int64(f.Revision)))
	return d.words("its content")
}

func feedColumns(f store.FeedRow) string {
	v, ok := membersOf(f.Body, "payer_id", "number", "clinic_id", "result_id")
	if !ok {
		return unreadable
	}
	var d differing
	d.want("payer_id", v.is("payer_id", f.PayerID))
	d.want("number", v.number("number", f.Number))
	d.want("clinic_id", v.is("clinic_id", f.ClinicID))
	d.want("result_id", v.is("result_id", f.ResultID))
	return d.words("its content")
}

// resultColumns compares with the signed document, whose signature must verify.
func (c *check) resultColumns(r store.ResultScan) string {
	payload, _, err := seal.VerifyJWS(c.ring, r.JWS)
	if err != nil {
		return "its signature does not verify under the key set"
	}
	v, ok := membersOf(payload, "id", "clinic", "session", "session_revision", "supersedes")
	if !ok {
		return unreadable
	}
	var d differing
	d.want("id", v.is("id", r.ID))
	d.want("clinic_id", v.id("clinic", r.ClinicID))
	d.want("session_id", v.id("session", r.SessionID))
	d.want("session_revision", v.number("session_revision", int64(r.SessionRevision)))
	d.want("supersedes", v.is("supersedes", r.Supersedes))
	if words := d.words("its signed content"); words != "" {
		return words
	}
	return enclosedColumns(payload, r)
}

// readEntry reads an entry's content, which must be the one spelling of itself.
func readEntry(content []byte) (record.Entry, bool) {
	if e, ok := quickEntry(content); ok {
		return e, true
	}
	var e record.Entry
	if !strict(content, &e) {
		return e, false
	}
	again, err := canon.Marshal(e)
	return e, err == nil && canon.Equal(again, content)
}

func entryColumns(e store.EntryScan, v record.Entry) string {
	var d differing
	d.want("clinic_id", v.ClinicID == e.ClinicID)
	d.want("number", v.Number == e.Number)
	d.want("at", v.At.Equal(record.TimeOf(e.At)))
	d.want("action", v.Action == e.Action)
	d.want("subjects", slices.Equal(v.Subjects, e.Subjects))
	return d.words("its content")
}
