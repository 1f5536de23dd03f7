package bundle

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

// Countersignature is a second signature over a result, with the proof that it stands in the clinic's log, as a Bundle has it.
type Countersignature struct {
	JWS        string
	Entry      []byte
	Salt       []byte
	Path       [][32]byte
	Checkpoint string
}

// maxCountersignatures bounds what one file may ask to be verified.
const maxCountersignatures = 50

// JWSDigest is by what a countersignature names the result that it is over: the SHA-256 of the signed text, base64url without padding.
func JWSDigest(jws string) string { return canon.DigestBase64url(canon.Digest(nil, []byte(jws))) }

// OpenCountersignature verifies the signature of a countersignature over a result's signed text, and reads it. What it says of the signer is to be
// believed once its entry is found in the log.
func OpenCountersignature(ring seal.Ring, jws, resultJWS string) (record.CountersignatureDocument, string, error) {
	var none record.CountersignatureDocument
	payload, kid, err := seal.VerifyCountersignature(ring, jws)
	if err != nil {
		return none, "", err
	}
	var doc record.CountersignatureDocument
	if err := strict(payload, &doc); err != nil {
		return none, "", fmt.Errorf("%w: countersignature: %w", ErrDocument, err)
	}
	switch {
	case doc.Format != record.CountersignatureFormat:
		return none, "", fmt.Errorf("%w: countersignature of an unknown format", ErrDocument)
	case doc.ResultDigest != JWSDigest(resultJWS):
		return none, "", errors.New("a countersignature is over another result")
	}
	return doc, kid, nil
}

// countersignatures checks every second signature, and that there is one where the document says that it needs one.
func (c *checker) countersignatures() error {
	list := c.bundle.Countersignatures
	if len(list) > maxCountersignatures {
		return fmt.Errorf("more than %d countersignatures", maxCountersignatures)
	}
	signers := []string{c.report.Document.Signature.MemberID}
	for i, s := range list {
		doc, remark, err := c.countersignature(s)
		if err != nil {
			return fmt.Errorf("countersignature %d: %w", i+1, err)
		}
		if slices.Contains(signers, doc.Signature.MemberID) {
			return fmt.Errorf("countersignature %d: by one who has signed already", i+1)
		}
		signers = append(signers, doc.Signature.MemberID)
		c.report.Countersignatures = append(c.report.Countersignatures, doc)
		if remark != "" {
			c.remark = remark
		}
	}
	if c.report.Document.CountersignatureNeeded && len(list) == 0 {
		return errors.New("the signer measured the client, and the clinic lets nobody be the only reviewer of what they measured: the result awaits a countersignature")
	}
	return nil
}

// countersignature checks one, in the way of the result itself.
func (c *checker) countersignature(s Countersignature) (record.CountersignatureDocument, string, error) {
	var none record.CountersignatureDocument
	doc, kid, err := OpenCountersignature(c.ring, s.JWS, c.bundle.JWS)
	if err != nil {
		return none, "", err
	}
	result := c.report.Document
	if doc.ClinicID != result.Clinic.ID || doc.ResultID != result.ID {
		return none, "", errors.New("it names another clinic or result")
	}
	sub := &checker{ring: c.ring, logName: c.logName, bundle: Bundle{JWS: s.JWS, Entry: s.Entry, Salt: s.Salt, Path: s.Path, Checkpoint: s.Checkpoint}}
	sub.report.KeyID = kid
	sub.report.Document.Clinic, sub.report.Document.Signature = result.Clinic, doc.Signature
	for _, check := range []func() error{
		func() error { return sub.countersignatureEntry(doc) },
		func() error { return sub.countersigner(doc.Signature, result.Signature) },
		sub.checkpoint, sub.inclusion, sub.keys,
	} {
		if err := check(); err != nil {
			return none, "", err
		}
	}
	if sub.report.Origin != c.report.Origin {
		return none, "", errors.New("it stands in another log than the result")
	}
	return doc, sub.remark, nil
}

// countersignatureEntry checks that the audit entry commits to the signed text.
func (c *checker) countersignatureEntry(doc record.CountersignatureDocument) error {
	var e record.Entry
	if err := strict(c.bundle.Entry, &e); err != nil {
		return err
	}
	if e.ClinicID != doc.ClinicID || e.Action != record.ActionResultCountersign {
		return errors.New("the entry is of another clinic or action")
	}
	body, err := canon.Marshal(record.Countersignature{ID: doc.ID, ResultID: doc.ResultID, JWS: c.bundle.JWS})
	if err != nil {
		return err
	}
	digest := canon.DigestBase64url(canon.Digest(c.bundle.Salt, body))
	named := slices.ContainsFunc(e.Records, func(w record.Written) bool {
		return w.Kind == record.KindCountersignature && w.ID == doc.ID && w.Revision == 1 && w.Digest == digest
	})
	if !named {
		return errors.New("the entry does not name this countersignature with its digest")
	}
	c.report.Entry = e
	return nil
}

// countersigner checks who made the entry, in which role, when, and as what.
func (c *checker) countersigner(sig, first record.Signature) error {
	e := c.report.Entry
	switch {
	case sig.MemberID == "" || e.Actor.MemberID != sig.MemberID:
		return errors.New("the entry was made by someone else")
	case e.Actor.Role != sig.Role || sig.Role != record.RoleReviewer:
		return errors.New("the one who countersigned did not act as reviewer")
	case sig.Meaning != record.MeaningCountersigned:
		return errors.New("the signature has another meaning")
	case e.At.Std().Sub(sig.At.Std()).Abs() > clockSlack:
		return errors.New("the time of the signature is not that at which it was recorded")
	case sig.At.Std().Before(first.At.Std().Add(-clockSlack)):
		return errors.New("it is dated before the result that it is over")
	}
	return nil
}

// countersignatureFile is a Countersignature as JSON, in canonical order.
type countersignatureFile struct {
	Checkpoint string   `json:"checkpoint"`
	Entry      string   `json:"entry"`
	JWS        string   `json:"jws"`
	Path       []string `json:"path"`
	Salt       string   `json:"salt"`
}

func encodeCountersignatures(list []Countersignature) []countersignatureFile {
	var out []countersignatureFile
	for _, s := range list {
		f := countersignatureFile{JWS: s.JWS, Entry: string(s.Entry), Checkpoint: s.Checkpoint, Path: []string{},
			Salt: base64.RawURLEncoding.EncodeToString(s.Salt)}
		for _, h := range s.Path {
			f.Path = append(f.Path, base64.RawURLEncoding.EncodeToString(h[:]))
		}
		out = append(out, f)
	}
	return out
}

// decodeCountersignatures reads the member; its items have exactly these members.
func decodeCountersignatures(member json.RawMessage) ([]Countersignature, error) {
	if member == nil {
		return nil, nil
	}
	var items []json.RawMessage
	if err := json.Unmarshal(member, &items); err != nil {
		return nil, fmt.Errorf("%w: member countersignatures is not a list", ErrBundle)
	}
	var out []Countersignature
	for _, raw := range items {
		var names map[string]json.RawMessage
		if err := json.Unmarshal(raw, &names); err != nil {
			return nil, fmt.Errorf("%w: a countersignature is not an object", ErrBundle)
		}
		for name := range names {
			if !slices.Contains([]string{"checkpoint", "entry", "jws", "path", "salt"}, name) {
				return nil, fmt.Errorf("%w: a countersignature has a member that does not belong", ErrBundle)
			}
		}
		var f countersignatureFile
		if err := json.Unmarshal(raw, &f); err != nil || f.JWS == "" || f.Entry == "" || f.Checkpoint == "" {
			return nil, fmt.Errorf("%w: a countersignature lacks a member, or has one of a form that it cannot have", ErrBundle)
		}
		s := Countersignature{JWS: f.JWS, Entry: []byte(f.Entry), Checkpoint: f.Checkpoint}
		var err error
		if s.Salt, err = base64url(f.Salt, saltSize); err != nil {
			return nil, fmt.Errorf("%w: a countersignature's salt is not 32 bytes in base64url", ErrBundle)
		}
		for _, text := range f.Path {
			h, err := base64url(text, 32)
			if err != nil {
				return nil, fmt.Errorf("%w: a countersignature's path has an element that is not 32 bytes in base64url", ErrBundle)
			}
			s.Path = append(s.Path, [32]byte(h))
		}
		out = append(out, s)
	}
	return out, nil
}
