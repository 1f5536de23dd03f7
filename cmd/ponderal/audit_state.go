package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"ponderal.example/internal/auditcheck"
	"ponderal.example/internal/bundle"
)

// stateFormat is the first member of a state file.
const stateFormat = "ponderal audit check state 1"

// auditState is the file of -state: how far a check is in each log, until it has come to its end.
type auditState struct {
	Format  string            `json:"format"`
	LogName string            `json:"log_name"`
	Marks   []auditcheck.Mark `json:"marks"`
}

// saveEvery is how often a state is written, at most.
const saveEvery = time.Second

// auditWithState runs the check from the state that a file holds, keeps the file up to date, and removes it once the check is through.
func auditWithState(ctx context.Context, w world, path string, o auditcheck.Options) (auditcheck.Report, error) {
	if path == "" {
		return auditcheck.Run(ctx, o)
	}
	state, err := readState(path, o.LogName)
	if err != nil {
		return auditcheck.Report{}, err
	}
	o.From = append(o.From, state.Marks...)
	var saved time.Time
	o.Save = func(m auditcheck.Mark) error {
		state.put(m)
		if now := w.now(); now.Sub(saved) >= saveEvery {
			saved = now
			return state.write(path)
		}
		return nil
	}
	report, err := auditcheck.Run(ctx, o)
	switch {
	case errors.Is(err, auditcheck.ErrMark):
		return report, usagef("-state %s: %v", path, err)
	case err != nil:
		return report, errors.Join(err, state.write(path))
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return report, fmt.Errorf("remove state: %w", err)
	}
	return report, nil
}

// readState reads a state file; one that is not there is an empty state.
func readState(path, logName string) (auditState, error) {
	state := auditState{Format: stateFormat, LogName: logName}
	text, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return state, nil
	case err != nil:
		return state, fmt.Errorf("read state: %w", err)
	}
	var got auditState
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&got); err != nil || got.Format != stateFormat {
		return state, usagef("-state %s: it is not the state of an audit check", path)
	}
	if got.LogName != logName {
		return state, usagef("-state %s: it is of the logs of %q, not of %q", path, got.LogName, logName)
	}
	return got, nil
}

func (s *auditState) put(m auditcheck.Mark) {
	for i := range s.Marks {
		if s.Marks[i].Clinic == m.Clinic {
			s.Marks[i] = m
			return
		}
	}
	s.Marks = append(s.Marks, m)
}

// write replaces the file at once, so that an interruption leaves the old state or the new one.
func (s *auditState) write(path string) error {
	text, err := json.Marshal(s)
	if err != nil {
		return fmt.Errorf("write state: %w", err)
	}
	fresh := path + ".new"
	if err := os.WriteFile(fresh, append(text, '\n'), 0o600); err != nil {
		return fmt.Errorf("write state: %w", err)
	}
	if err := os.Rename(fresh, path); err != nil {
		return fmt.Errorf("write state: %w", err)
	}
	return nil
}

// readCheckpoints reads the signed checkpoints of a file: the file itself, or those that the signed results in it were proved by.
func readCheckpoints(name string) ([]string, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	if note := bareCheckpoint(text); note != "" {
		return []string{note}, nil
	}
	items, err := split(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	var notes []string
	for _, item := range items {
		b, err := bundle.Decode(item)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		notes = append(notes, b.Checkpoint)
	}
	return notes, nil
}
