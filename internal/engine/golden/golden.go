// Package golden loads the golden cases: sessions with the finding that the rules give them, reasoned by hand and kept as data, so that
// the engine, gRPC and REST can be held against the same truth. It is for tests only.
//
// A case is pushable: its ids are UUIDs, its times stand in order, each protocol's digest is that of its canonical form. A transport that
// makes its own ids or revisions compares the finding apart from them.
package golden

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/record"
)

// Case is one file. Why says how the finding follows from the rules, Source where the deciding rule or number is from. TwinOf names a case
// whose finding must be the same apart from the session's id.
type Case struct {
	Name    string         `json:"name"`
	Why     string         `json:"why"`
	Source  string         `json:"source"`
	TwinOf  string         `json:"twin_of,omitempty"`
	Input   Input          `json:"input"`
	Finding record.Finding `json:"finding"`
}

// Input is score.Input as a file has it. Rules is empty for the newest.
type Input struct {
	Rules           string                 `json:"rules,omitempty"`
	Session         record.Session         `json:"session"`
	SessionRevision int                    `json:"session_revision"`
	Person          record.Person          `json:"person"`
	Protocols       []record.NamedProtocol `json:"protocols"`
	Kits            []record.Kit           `json:"kits,omitempty"`
	Job             *record.JobProfile     `json:"job_profile,omitempty"`
	JobRevision     int                    `json:"job_profile_revision,omitempty"`
}

// Score gives the engine's form.
func (in Input) Score() score.Input {
	protocols := make(map[string]record.Protocol, len(in.Protocols))
	for _, p := range in.Protocols {
		protocols[p.Digest] = p.Protocol
	}
	kits := make(map[string]record.Kit, len(in.Kits))
	for _, k := range in.Kits {
		kits[k.ID] = k
	}
	return score.Input{
		Rules: in.Rules, Kits: kits, Session: in.Session, SessionRevision: in.SessionRevision, Person: in.Person, Protocols: protocols, Job: in.Job, JobRevision: in.JobRevision,
	}
}

// Load reads every case of a directory in the order of file names. A member that no type knows, or a directory without cases, is an
// error.
func Load(dir string) ([]Case, error) {
	paths, err := filepath.Glob(filepath.Join(dir, "*.json"))
	if err != nil {
		return nil, fmt.Errorf("list golden cases: %w", err)
	}
	if len(paths) == 0 {
		return nil, fmt.Errorf("list golden cases: none in %s", dir)
	}
	cases := make([]Case, len(paths))
	for i, path := range paths {
		if cases[i], err = read(path); err != nil {
			return nil, fmt.Errorf("read golden case %s: %w", filepath.Base(path), err)
		}
	}
	return cases, nil
}

func read(path string) (Case, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return Case{}, err
	}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.DisallowUnknownFields()
	var c Case
	if err := dec.Decode(&c); err != nil {
		return Case{}, err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return Case{}, errors.New("more than one document")
	}
	return c, nil
}
