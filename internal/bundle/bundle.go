// Package bundle is the file that a payer keeps: one signed result with the proof that it stands in the clinic's audit log, and its
// verification with nothing but the published keys. Verification ends with a new run of the engine on the enclosed trials, which must
// give the same finding.
//
// The package is pure: it reads bytes and returns values.
package bundle

import (
	"bytes"
	"cmp"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
)

// Format and Format2 name the form of the file: Format that of a result which was signed with its trials inside, Format2 that of one which commits to
// them by digest, with or without them beside it.
const (
	Format  = "ponderal-bundle-1"
	Format2 = "ponderal-bundle-2"
)

// FormatOf is the form of file for a result of that format.
func FormatOf(resultFormat string) string {
	if resultFormat == record.ResultFormat {
		return Format
	}
	return Format2
}

// saltSize is the length of an entry's salt in bytes.
const saltSize = 32

// ErrBundle: a file that is not a bundle. The text that wraps it says why and never quotes the file.
var ErrBundle = errors.New("bundle: not a result bundle")

// Bundle is the file's content, as ponderal.v1.Bundle has it in JSON.
type Bundle struct {
	// Format of the file; empty stands for Format.
	Format string
	// JWS is the signed result.
	JWS string
	// Entry is the audit entry that wrote it, canonical JSON.
	Entry []byte
	// Salt of the entry, 32 bytes.
	Salt []byte
	// Path is the RFC 6962 inclusion proof of the entry, from the leaf up.
	Path [][32]byte
	// Checkpoint is the signed note of the tree's head.
	Checkpoint string
	// Enclosed is the canonical JSON of record.Enclosed, with the salt of its digest, 32 bytes. Both are empty where the raw trials were not
	// released, and in Format.
	Enclosed     []byte
	EnclosedSalt []byte
	// Countersignatures are second signatures, in the order of signing.
	Countersignatures []Countersignature
}

// file is a Bundle as JSON. Its fields stand in canonical order, apart from the second spelling of one, which is only read.
type file struct {
	Checkpoint string                 `json:"checkpoint"`
	Counter    []countersignatureFile `json:"countersignatures,omitempty"`
	Enclosed   string                 `json:"enclosed,omitempty"`
	ESalt      string                 `json:"enclosed_salt,omitempty"`
	ESaltCamel string                 `json:"enclosedSalt,omitempty"`
	Entry      string                 `json:"entry"`
	Format     string                 `json:"format"`
	JWS        string                 `json:"jws"`
	Path       []string               `json:"path"`
	Salt       string                 `json:"salt"`
}

// Encode writes the bundle as canonical JSON, the form in which it is best kept.
func Encode(b Bundle) ([]byte, error) {
	f := file{Format: cmp.Or(b.Format, Format), JWS: b.JWS, Entry: string(b.Entry), Checkpoint: b.Checkpoint, Path: []string{}}
	f.Salt = base64.RawURLEncoding.EncodeToString(b.Salt)
	f.Counter = encodeCountersignatures(b.Countersignatures)
	f.Enclosed, f.ESalt = string(b.Enclosed), base64.RawURLEncoding.EncodeToString(b.EnclosedSalt)
	for _, h := range b.Path {
		f.Path = append(f.Path, base64.RawURLEncoding.EncodeToString(h[:]))
	}
	out, err := canon.Marshal(f)
	if err != nil {
		return nil, fmt.Errorf("encode bundle: %w", err)
	}
	return out, nil
}

// Decode reads a bundle as the service hands it out, in any spacing: the object itself, the response of GetResult, or one item of a
// feed. What stands around the bundle is not signed and is not looked at here (Report.Around does); within it, a member that is missing, unknown, repeated
// or in other capitals is refused. Every error is ErrBundle.
func Decode(doc []byte) (Bundle, error) {
	// Refuses repeated members at any depth, and text that is not UTF-8.
	if _, err := canon.Transform(doc); err != nil {
		return Bundle{}, fmt.Errorf("decode bundle: %w: not acceptable JSON", ErrBundle)
	}
	inner, err := unwrap(doc)
	if err != nil {
		return Bundle{}, fmt.Errorf("decode bundle: %w", err)
	}
	b, err := decode(inner)
	if err != nil {
		return Bundle{}, fmt.Errorf("decode bundle: %w", err)
	}
	return b, nil
}

// unwrap finds the bundle: where there is a member "result" or "bundle", it is in that.
func unwrap(doc json.RawMessage) (json.RawMessage, error) {
	for _, name := range []string{"result", "bundle"} {
		var object map[string]json.RawMessage
		if err := json.Unmarshal(doc, &object); err != nil || object == nil {
			return nil, fmt.Errorf("%w: not an object", ErrBundle)
		}
		if inner, ok := object[name]; ok {
			doc = inner
		}
	}
	return doc, nil
}

func decode(doc json.RawMessage) (Bundle, error) {
	var names map[string]json.RawMessage
	if err := json.Unmarshal(doc, &names); err != nil || names == nil {
		return Bundle{}, fmt.Errorf("%w: not an object", ErrBundle)
	}
	for name, value := range names {
		if !known(name) {
			return Bundle{}, fmt.Errorf("%w: a member that does not belong", ErrBundle)
		}
		if bytes.Equal(bytes.TrimSpace(value), []byte("null")) {
			return Bundle{}, fmt.Errorf("%w: member %s is null", ErrBundle, name)
		}
	}
	var f file
	dec := json.NewDecoder(bytes.NewReader(doc))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&f); err != nil {
		return Bundle{}, fmt.Errorf("%w: a member has a form that it cannot have", ErrBundle)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return Bundle{}, fmt.Errorf("%w: text after the end", ErrBundle)
	}
	b, err := f.bundle()
	if err != nil {
		return Bundle{}, err
	}
	b.Countersignatures, err = decodeCountersignatures(names["countersignatures"])
	return b, err
}

// known reports whether the name is a member of the file, in exactly these letters.
func known(name string) bool {
	switch name {
	case "checkpoint", "countersignatures", "enclosed", "enclosed_salt", "enclosedSalt", "entry", "format", "jws", "path", "salt":
		return true
	}
	return false
}

func (f file) bundle() (Bundle, error) {
	switch {
	case f.Format != Format && f.Format != Format2:
		return Bundle{}, fmt.Errorf("%w: member format is neither %q nor %q", ErrBundle, Format2, Format)
	case f.ESalt != "" && f.ESaltCamel != "":
		return Bundle{}, fmt.Errorf("%w: member enclosed_salt stands there twice", ErrBundle)
	case f.JWS == "":
		return Bundle{}, fmt.Errorf("%w: member jws is missing", ErrBundle)
	case f.Entry == "":
		return Bundle{}, fmt.Errorf("%w: member entry is missing", ErrBundle)
	case f.Checkpoint == "":
		return Bundle{}, fmt.Errorf("%w: member checkpoint is missing", ErrBundle)
	}
	b := Bundle{Format: f.Format, JWS: f.JWS, Entry: []byte(f.Entry), Checkpoint: f.Checkpoint}
	var err error
	if f.Enclosed != "" {
		b.Enclosed = []byte(f.Enclosed)
	}
	if salt := f.ESalt + f.ESaltCamel; salt != "" {
		// How long it must be is said by Verify, which names the step.
		if b.EnclosedSalt, err = base64.RawURLEncoding.Strict().DecodeString(salt); err != nil {
			return Bundle{}, fmt.Errorf("%w: member enclosed_salt is not base64url", ErrBundle)
		}
	}
	if b.Salt, err = base64url(f.Salt, saltSize); err != nil {
		return Bundle{}, fmt.Errorf("%w: member salt is not 32 bytes in base64url", ErrBundle)
	}
	for _, text := range f.Path {
		h, err := base64url(text, 32)
		if err != nil {
			return Bundle{}, fmt.Errorf("%w: member path has an element that is not 32 bytes in base64url", ErrBundle)
		}
		b.Path = append(b.Path, [32]byte(h))
	}
	return b, nil
}

// base64url reads n bytes in the one spelling that they have without padding.
func base64url(text string, n int) ([]byte, error) {
	b, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if err != nil || len(b) != n || base64.RawURLEncoding.EncodeToString(b) != text {
		return nil, ErrBundle
	}
	return b, nil
}
