package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

// keyStateFormat names the form of the state file.
const keyStateFormat = "ponderal-keys-1"

// keyState is the state file of a keys folder: what has become of each key, by id. A key that is not in it is one of which nothing is known but
// where its file stands.
type keyState struct {
	Format string         `json:"format"`
	Keys   []keyLifecycle `json:"keys"`
}

// keyLifecycle are the moments of one key, each absent where it is not known or has not come.
type keyLifecycle struct {
	ID string `json:"id"`
	// Since is when the key was made.
	Since           record.Time `json:"since,omitzero"`
	RetiredAt       record.Time `json:"retired_at,omitzero"`
	CompromisedFrom record.Time `json:"compromised_from,omitzero"`
}

// readKeyState reads the state file; a folder of before there was one has none. A file that others may read or write, or that is not exactly of its form
// is refused: a mark that went unread would make good what is not.
func readKeyState(dir string) (keyState, error) {
	path := filepath.Join(dir, stateFile)
	none := keyState{Format: keyStateFormat}
	if err := ownersOnly(path); errors.Is(err, fs.ErrNotExist) {
		return none, nil
	} else if err != nil {
		return none, fmt.Errorf("read key state %s: %w", path, err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return none, fmt.Errorf("read key state: %w", err)
	}
	s, err := parseKeyState(text)
	if err != nil {
		return none, fmt.Errorf("read key state %s: %w", path, err)
	}
	return s, nil
}

// errKeyState is a state file that is not of its form.
var errKeyState = errors.New("not a key state of format " + keyStateFormat + ", or members that do not belong; take the file from your copy of the folder")

// parseKeyState reads what write wrote, in any spacing and order of members.
func parseKeyState(text []byte) (keyState, error) {
	canonical, err := canon.Transform(text)
	if err != nil {
		return keyState{}, errKeyState
	}
	var s keyState
	if json.Unmarshal(canonical, &s) != nil || s.Format != keyStateFormat || s.Keys == nil {
		return keyState{}, errKeyState
	}
	seen := map[string]bool{}
	for _, k := range s.Keys {
		if k.ID == "" || seen[k.ID] {
			return keyState{}, errKeyState
		}
		seen[k.ID] = true
	}
	// Catches all else: unknown members, names in other capitals, moments that are null or in another spelling.
	again, err := canon.Marshal(s)
	if err != nil || !canon.Equal(again, canonical) {
		return keyState{}, errKeyState
	}
	return s, nil
}

// write puts the state into the folder, whole or not at all.
func (s keyState) write(dir string) error {
	if s.Keys == nil {
		s.Keys = []keyLifecycle{}
	}
	text, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return fmt.Errorf("write key state: %w", err)
	}
	if err := replaceFile(filepath.Join(dir, stateFile), append(text, '\n'), 0o600); err != nil {
		return fmt.Errorf("write key state: %w", err)
	}
	return nil
}

// of is what is known of a key.
func (s keyState) of(id string) keyLifecycle {
	for _, k := range s.Keys {
		if k.ID == id {
			return k
		}
	}
	return keyLifecycle{ID: id}
}

// with is the state with this of one key.
func (s keyState) with(k keyLifecycle) keyState {
	out := keyState{Format: s.Format}
	found := false
	for _, old := range s.Keys {
		if old.ID == k.ID {
			old, found = k, true
		}
		out.Keys = append(out.Keys, old)
	}
	if !found {
		out.Keys = append(out.Keys, k)
	}
	return out
}

// applied gives the keys their standing. A state of a key that the folder does not hold is refused: its mark would be lost.
func (s keyState) applied(keys []seal.PublicKey) ([]seal.PublicKey, error) {
	held := map[string]bool{}
	for i, k := range keys {
		held[k.ID] = true
		life := s.of(k.ID)
		if !life.RetiredAt.IsZero() {
			keys[i].RetiredAt = life.RetiredAt.Std()
		}
		if !life.CompromisedFrom.IsZero() {
			keys[i].CompromisedFrom = life.CompromisedFrom.Std()
		}
	}
	for _, k := range s.Keys {
		if !held[k.ID] {
			return nil, fmt.Errorf("%s tells of key %s, which is in no other file: put back %s from your copy of the folder", stateFile, k.ID, retiredFile)
		}
	}
	return keys, nil
}

// replaceFile writes a file beside the one it replaces and puts it in place, so that a crash leaves the one or the other.
func replaceFile(path string, text []byte, mode fs.FileMode) error {
	file, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".new*")
	if err != nil {
		return err
	}
	_, err = file.Write(text)
	err = errors.Join(err, file.Chmod(mode), file.Sync(), file.Close())
	if err == nil {
		err = os.Rename(file.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(file.Name()))
	}
	return syncFolder(filepath.Dir(path))
}

// syncFolder makes the names in a folder outlast a crash.
func syncFolder(dir string) error {
	folder, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}
