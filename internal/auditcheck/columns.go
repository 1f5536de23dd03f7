package auditcheck

import (
	"bytes"
	"encoding/json"
	"io"
	"slices"

	"ponderal.example/internal/bundle"
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
	var v record.Session
	if !strict(s.Body, &v) {
		return unreadable
	}
	var d differing
	d.want("id", v.ID == s.ID)
	d.want("clinic_id", v.ClinicID == s.ClinicID)
	d.want("referral_id", v.ReferralID == s.ReferralID)
	return d.words("its content")
}

func trialColumns(t store.TrialScan) string {
	var v record.Trial
	if !strict(t.Body, &v) {
		return unreadable
	}
	var d differing
	d.want("trial_number", v.Number == t.Number)
	return d.words("its content")
}

func findingColumns(f store.DocScan) string {
	var v record.Finding
	if !strict(f.Body, &v) {
		return unreadable
	}
	var d differing
	d.want("id", v.SessionID == f.ID)
	d.want("revision", v.SessionRevision == f.Revision)
	return d.words("its content")
}

func feedColumns(f store.FeedRow) string {
	var v record.FeedItem
	if !strict(f.Body, &v) {
		return unreadable
	}
	var d differing
	d.want("payer_id", v.PayerID == f.PayerID)
	d.want("number", v.Number == f.Number)
	d.want("clinic_id", v.ClinicID == f.ClinicID)
	d.want("result_id", v.ResultID == f.ResultID)
	return d.words("its content")
}

// resultColumns compares with the signed document, whose signature must verify.
func (c *check) resultColumns(r store.ResultScan) string {
	payload, _, err := seal.VerifyJWS(c.ring, r.JWS)
	if err != nil {
		return "its signature does not verify under the key set"
	}
	doc, err := bundle.Parse(payload)
	if err != nil {
		return unreadable
	}
	var d differing
	d.want("id", doc.ID == r.ID)
	d.want("clinic_id", doc.Clinic.ID == r.ClinicID)
	d.want("session_id", doc.Session.ID == r.SessionID)
	d.want("session_revision", doc.SessionRevision == r.SessionRevision)
	d.want("supersedes", doc.Supersedes == r.Supersedes)
	return d.words("its signed content")
}

// readEntry reads an entry's content, which must be the one spelling of itself.
func readEntry(content []byte) (record.Entry, bool) {
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
