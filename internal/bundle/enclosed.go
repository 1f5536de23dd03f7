package bundle

import (
	"errors"
	"fmt"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
)

// errWithheld: the step rests on raw trials that were not released.
var errWithheld = errors.New("the raw trials were not released")

// EnclosedDigest is how a signed result of format 2 commits to what is enclosed: SHA-256 of salt and canonical JSON, base64url without padding.
func EnclosedDigest(salt, enclosed []byte) string {
	return canon.DigestBase64url(canon.Digest(salt, enclosed))
}

// Commit makes of a whole document what is signed in format 2 and what is kept beside it: the document without single readings, with the digest of
// the enclosed under the salt, and the enclosed as canonical JSON.
func Commit(doc record.ResultDocument, salt []byte) (record.ResultDocument, []byte, error) {
	if len(salt) != saltSize {
		return record.ResultDocument{}, nil, errors.New("commit to trials: the salt is not 32 bytes")
	}
	reduced, parts := Split(doc)
	enclosed, err := canon.Marshal(parts)
	if err != nil {
		return record.ResultDocument{}, nil, fmt.Errorf("commit to trials: %w", err)
	}
	reduced.Format, reduced.EnclosedDigest = record.ResultFormat2, EnclosedDigest(salt, enclosed)
	return reduced, enclosed, nil
}

// Open checks the enclosed of a signed document of format 2 against the digest in it, and returns the whole document. Everything that does not fit
// is an error that says what.
func Open(doc record.ResultDocument, enclosed, salt []byte) (record.ResultDocument, error) {
	var parts record.Enclosed
	switch {
	case doc.Format != record.ResultFormat2:
		return record.ResultDocument{}, errors.New("raw trials are enclosed with a result that was signed with its trials inside")
	case len(salt) != saltSize:
		return record.ResultDocument{}, errors.New("the salt of the raw trials is not 32 bytes")
	case EnclosedDigest(salt, enclosed) != doc.EnclosedDigest:
		return record.ResultDocument{}, errors.New("the raw trials are not those that the signed result commits to by digest")
	}
	if err := strict(enclosed, &parts); err != nil {
		return record.ResultDocument{}, fmt.Errorf("the raw trials cannot be read: %w", err)
	}
	whole, err := Join(doc, parts)
	if err != nil {
		return record.ResultDocument{}, err
	}
	return whole, nil
}

// reduced checks that a document of format 2 holds no single reading itself.
func reduced(doc record.ResultDocument) error {
	bare, _ := Split(doc)
	was, err := canon.Marshal(doc)
	if err != nil {
		return err
	}
	now, err := canon.Marshal(bare)
	if err != nil {
		return err
	}
	if string(was) != string(now) {
		return fmt.Errorf("a result that commits to its trials by digest holds some of them%s", firstDifference(was, now))
	}
	return nil
}

// enclosed checks the raw trials against the digest that was signed, and makes the document whole with them.
func (c *checker) enclosed() error {
	doc := c.report.Document
	none := len(c.bundle.Enclosed) == 0 && len(c.bundle.EnclosedSalt) == 0
	switch {
	case doc.Format == record.ResultFormat && c.bundle.Format == Format2:
		return errors.New("the file is of a form for results that commit to their trials by digest, and this one has them in it")
	case doc.Format == record.ResultFormat && !none:
		return errors.New("raw trials are enclosed with a result that was signed with its trials inside")
	case doc.Format == record.ResultFormat && doc.EnclosedDigest != "":
		return errors.New("a result that was signed with its trials inside commits to others by digest")
	case doc.Format == record.ResultFormat:
		c.whole = true
		return nil
	case c.bundle.Format != Format2:
		return errors.New("the file is of a form for results that have their trials in them, and this one commits to them by digest")
	}
	if _, err := base64url(doc.EnclosedDigest, 32); err != nil {
		return errors.New("the signed result holds neither its trials nor a digest of them")
	}
	if err := reduced(doc); err != nil {
		return err
	}
	if none {
		return fmt.Errorf("%w: they are committed to by digest SHA-256 %s; the engine was not run again", errWithheld, doc.EnclosedDigest)
	}
	whole, err := Open(doc, c.bundle.Enclosed, c.bundle.EnclosedSalt)
	if err != nil {
		return err
	}
	c.report.Document, c.whole = whole, true
	return nil
}
