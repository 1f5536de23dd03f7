package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

// lockFile stands in a keys folder while a command changes it: two rotations at once would lose the public half of a key, and with it every result
// that it signed.
const lockFile = "changing"

// changingKeys runs a change of the folder alone.
func changingKeys(dir string, change func() error) error {
	path := filepath.Join(dir, lockFile)
	lock, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("another change of the folder is at work or was cut short: if no other runs, remove %s and try again", path)
	}
	if err != nil {
		return fmt.Errorf("change keys folder: %w", err)
	}
	err = change()
	return errors.Join(err, lock.Close(), os.Remove(path))
}

// makeKeys makes a keys folder; what is there already is never written over.
func makeKeys(w world, dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make keys folder: %w", err)
	}
	return changingKeys(dir, func() error {
		for _, name := range []string{resultKeyFile, logKeyFile, retiredFile, stateFile} {
			if _, err := os.Lstat(filepath.Join(dir, name)); !errors.Is(err, fs.ErrNotExist) {
				return fmt.Errorf("make keys folder: %s is there already; to replace a key: ponderal keys rotate -use result %s (or -use log)", filepath.Join(dir, name), dir)
			}
		}
		state := keyState{Format: keyStateFormat}
		for _, of := range []struct {
			name string
			use  seal.Use
		}{{resultKeyFile, seal.UseResult}, {logKeyFile, seal.UseLog}} {
			made, err := makeKey(filepath.Join(dir, of.name), of.use, w.random, os.O_EXCL)
			if err != nil {
				return err
			}
			state = state.with(keyLifecycle{ID: made.ID, Since: record.TimeOf(w.now())})
		}
		return state.write(dir)
	})
}

// rotateKey makes a new key for a use and retires the former. The public half of the former stays in the key set, so that what it signed verifies. The order
// is such that a crash at any point leaves a folder that works: the former key is listed among those of before first, then the new one takes its
// place, then the moment is written down, without which the former is known to be retired, but not since when.
func rotateKey(w world, dir string, use seal.Use) (was, is seal.PublicKey, err error) {
	err = changingKeys(dir, func() error {
		k, err := readKeys(dir)
		if err != nil {
			return err
		}
		name, former := resultKeyFile, k.result.Public()
		if use == seal.UseLog {
			name, former = logKeyFile, k.log.Public()
		}
		fresh := filepath.Join(dir, name+".new")
		made, err := makeKey(fresh, use, w.random, os.O_TRUNC)
		if err != nil {
			return err
		}
		if err := listRetired(dir, former); err != nil {
			return fmt.Errorf("retire key: %w", err)
		}
		if err := os.Rename(fresh, filepath.Join(dir, name)); err != nil {
			return fmt.Errorf("put the new key in place: %w", err)
		}
		was, is = former, made
		now := record.TimeOf(w.now())
		life := k.state.of(former.ID)
		if life.RetiredAt.IsZero() {
			life.RetiredAt = now
		}
		return k.state.with(life).with(keyLifecycle{ID: made.ID, Since: now}).write(dir)
	})
	return was, is, err
}

// listRetired adds a public key to those that signed before.
func listRetired(dir string, former seal.PublicKey) error {
	retired, err := readRetired(dir)
	if err != nil {
		return err
	}
	ring, err := seal.NewRing(append(without(retired, former), former)...)
	if err != nil {
		return err
	}
	text, err := ring.JWKS()
	if err != nil {
		return err
	}
	return replaceFile(filepath.Join(dir, retiredFile), text, 0o644)
}

// changeKey changes what is known of one key. change reports whether there is anything to write.
func changeKey(dir, id string, change func(seal.PublicKey, *keyLifecycle) (bool, error)) error {
	return changingKeys(dir, func() error {
		k, err := readKeys(dir)
		if err != nil {
			return err
		}
		for _, key := range k.ring.Keys() {
			if key.ID != id {
				continue
			}
			life := k.state.of(id)
			differs, err := change(key, &life)
			if err != nil || !differs {
				return err
			}
			return k.state.with(life).write(dir)
		}
		return fmt.Errorf("the folder holds no key with the id %q: ponderal keys list %s names them", id, dir)
	})
}

// retireKey marks a key as one that signs no more. One that is retired already stays so from its first moment.
func retireKey(w world, dir, id string) error {
	return changeKey(dir, id, func(key seal.PublicKey, life *keyLifecycle) (bool, error) {
		if !key.RetiredAt.IsZero() {
			return false, nil
		}
		life.RetiredAt = record.TimeOf(w.now())
		return true, nil
	})
}

// compromiseKey marks a key as one that somebody else may hold from a moment on. The moment can be moved back, when more becomes known, and not
// forward: that would make good what was not.
func compromiseKey(dir, id string, from time.Time) error {
	return changeKey(dir, id, func(key seal.PublicKey, life *keyLifecycle) (bool, error) {
		at := record.TimeOf(from)
		switch {
		case key.CompromisedFrom.Equal(at.Std()):
			return false, nil
		case !key.CompromisedFrom.IsZero() && key.CompromisedFrom.Before(at.Std()):
			return false, fmt.Errorf("key %s is marked compromised from %s already; the moment can be moved to an earlier one only", id, seal.FormatMoment(key.CompromisedFrom))
		}
		life.CompromisedFrom = at
		return true, nil
	})
}
