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
		for _, name := range []string{resultKeyFile, logKeyFile, nextResultFile, nextLogFile, retiredFile, stateFile} {
			if _, err := os.Lstat(filepath.Join(dir, name)); !errors.Is(err, fs.ErrNotExist) {
				return fmt.Errorf("make keys folder: %s is there already; to replace a key: ponderal keys rotate -use result %s (or -use log)", filepath.Join(dir, name), dir)
			}
		}
		state := keyState{Format: keyStateFormat}
		for _, use := range []seal.Use{seal.UseResult, seal.UseLog} {
			name, _ := keyFilesOf(use)
			made, err := makeKey(filepath.Join(dir, name), use, w.random, os.O_EXCL)
			if err != nil {
				return err
			}
			state = state.with(keyLifecycle{ID: made.ID, Since: record.TimeOf(w.now())})
		}
		return state.write(dir)
	})
}

// prepareKey makes the key that the next rotation of a use puts in place, so that it can be published before it signs. One that was prepared
// stays.
func prepareKey(w world, dir string, use seal.Use) (made seal.PublicKey, err error) {
	err = changingKeys(dir, func() error {
		k, err := readKeys(dir)
		if err != nil {
			return err
		}
		if there, ok := k.next[use]; ok {
			made = there
			return nil
		}
		_, name := keyFilesOf(use)
		if made, err = freshKey(w, dir, name, use); err != nil {
			return err
		}
		return k.state.with(keyLifecycle{ID: made.ID, Since: record.TimeOf(w.now())}).write(dir)
	})
	return made, err
}

// freshKey makes a key and puts it in place under a name.
func freshKey(w world, dir, name string, use seal.Use) (seal.PublicKey, error) {
	beside := filepath.Join(dir, name+".new")
	made, err := makeKey(beside, use, w.random, os.O_TRUNC)
	if err != nil {
		return made, err
	}
	if err := os.Rename(beside, filepath.Join(dir, name)); err != nil {
		return made, fmt.Errorf("put the new key in place: %w", err)
	}
	return made, syncFolder(dir)
}

// rotateKey puts the prepared key of a use in place, or makes one, and retires the former. The public half of the former stays in the key set, so that
// what it signed verifies. The order is such that a crash at any point leaves a folder that works: the former key is listed among those of before
// first, then the new one takes its place, then the moment is written down, without which the former is known to be retired, but not since when.
func rotateKey(w world, dir string, use seal.Use) (was, is seal.PublicKey, err error) {
	err = changingKeys(dir, func() error {
		k, err := readKeys(dir)
		if err != nil {
			return err
		}
		was = k.current(use)
		if err := listRetired(dir, was); err != nil {
			return fmt.Errorf("retire key: %w", err)
		}
		now := record.TimeOf(w.now())
		if is, err = putInPlace(w, k, use); err != nil {
			return err
		}
		former, follower := k.state.of(was.ID), k.state.of(is.ID)
		if former.RetiredAt.IsZero() {
			former.RetiredAt = now
		}
		if follower.Since.IsZero() {
			follower.Since = now
		}
		return k.state.with(former).with(follower).write(dir)
	})
	return was, is, err
}

// putInPlace gives a use its new key. A prepared key that is retired or compromised by now is listed among those of before and does not follow.
func putInPlace(w world, k keyFolder, use seal.Use) (seal.PublicKey, error) {
	name, nextName := keyFilesOf(use)
	next, prepared := k.next[use]
	if !prepared {
		return freshKey(w, k.dir, name, use)
	}
	if k.ring.MaySign(next.ID, use) != nil {
		if err := listRetired(k.dir, next); err != nil {
			return next, fmt.Errorf("list the prepared key: %w", err)
		}
		if err := os.Remove(filepath.Join(k.dir, nextName)); err != nil {
			return next, fmt.Errorf("take the prepared key away: %w", err)
		}
		return freshKey(w, k.dir, name, use)
	}
	if err := os.Rename(filepath.Join(k.dir, nextName), filepath.Join(k.dir, name)); err != nil {
		return next, fmt.Errorf("put the prepared key in place: %w", err)
	}
	return next, syncFolder(k.dir)
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
