package bundle

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/record"
)

// ErrDocument: a payload that is not strictly a result document.
var ErrDocument = errors.New("bundle: not a result document")

// Payload returns the canonical JSON of a result document: what is signed.
func Payload(doc record.ResultDocument) ([]byte, error) {
	b, err := canon.Marshal(doc)
	if err != nil {
		return nil, fmt.Errorf("result payload: %w", err)
	}
	return b, nil
}

// Parse reads exactly what Payload writes, of the formats that this build knows. Anything else is ErrDocument.
func Parse(payload []byte) (record.ResultDocument, error) {
	var doc record.ResultDocument
	if err := strict(payload, &doc); err != nil {
		return record.ResultDocument{}, fmt.Errorf("parse result payload: %w: %w", ErrDocument, err)
	}
	if doc.Format != record.ResultFormat && doc.Format != record.ResultFormat2 {
		return record.ResultDocument{}, fmt.Errorf("parse result payload: %w: the format is neither %s nor %s", ErrDocument,
			record.ResultFormat2, record.ResultFormat)
	}
	return doc, nil
}

// strict decodes canonical JSON into v and demands that v says all of it: encoded again it is the same bytes. So members that v does
// not have, in other capitals, or written though they are empty are refused.
func strict(doc []byte, v any) error {
	if !canon.IsCanonical(doc) {
		return errors.New("not canonical JSON (RFC 8785)")
	}
	if err := json.Unmarshal(doc, v); err != nil {
		return errors.New("a member has a form that it cannot have")
	}
	again, err := canon.Marshal(v)
	if err != nil || !bytes.Equal(again, doc) {
		return errors.New("members that do not belong")
	}
	return nil
}

// PersonOf is what the engine needs of a client on the day that a session began: age in completed years by the calendar date in
// UTC, and sex. It refuses a birth date that is no date, lies after that day, or gives an age that nobody has.
func PersonOf(c record.Client, at record.Time) (record.Person, error) {
	years, ok := record.AgeAt(c.BirthDate, at)
	if !ok {
		return record.Person{}, errors.New("birth date and session do not give an age")
	}
	return record.Person{AgeYears: years, Sex: c.Sex}, nil
}

// KitsMatter reports whether findings made by that version of the engine's rules look at the kits, which a document then encloses. Those of
// version 1 do not.
func KitsMatter(rules string) bool { return rules != "1" }

// Rerun computes the finding of a document's trials anew, by the rules that its finding was made by; a document without a finding is scored by
// the newest.
func Rerun(doc record.ResultDocument) (record.Finding, error) {
	protocols := make(map[string]record.Protocol, len(doc.Protocols))
	for _, p := range doc.Protocols {
		protocols[p.Digest] = p.Protocol
	}
	kits := make(map[string]record.Kit, len(doc.Kits))
	for _, k := range doc.Kits {
		kits[k.ID] = k
	}
	return score.Score(score.Input{
		Rules: doc.Finding.Engine, Session: doc.Session, SessionRevision: doc.SessionRevision,
		Person: doc.Person, Protocols: protocols, Kits: kits,
		Job: doc.Job, JobRevision: doc.JobRevision,
	})
}

// ProtocolDigest names a protocol: the lower-case hexadecimal SHA-256 of its canonical JSON, which is returned too.
func ProtocolDigest(p record.Protocol) (digest string, body []byte, err error) {
	body, err = canon.Marshal(p)
	if err != nil {
		return "", nil, fmt.Errorf("protocol digest: %w", err)
	}
	return canon.DigestHex(canon.Digest(nil, body)), body, nil
}
