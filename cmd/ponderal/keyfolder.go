package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"ponderal.example/internal/seal"
)

// The files of a keys folder: a private key for each use in PEM, for the owner's eyes only, and where one was prepared the key to follow it; the
// public keys that signed before; and what has become of each key (keystate.go).
const (
	resultKeyFile  = "result.pem"
	logKeyFile     = "log.pem"
	nextResultFile = "result.next.pem"
	nextLogFile    = "log.next.pem"
	retiredFile    = "retired.json"
	stateFile      = "state.json"
)

// keyFilesOf are the names of a use's files: of the key that signs, and of the one to follow it.
func keyFilesOf(use seal.Use) (current, next string) {
	if use == seal.UseLog {
		return logKeyFile, nextLogFile
	}
	return resultKeyFile, nextResultFile
}

// keyFolder is what a keys folder holds.
type keyFolder struct {
	dir         string
	result, log seal.Key
	// next are the keys that were prepared, by use. They are published and do not sign yet.
	next map[seal.Use]seal.PublicKey
	// ring holds the keys in use, then those to follow, then those that signed before, each with its standing.
	ring  seal.Ring
	state keyState
}

// current is the public half of the key that signs for a use.
func (k keyFolder) current(use seal.Use) seal.PublicKey {
	if use == seal.UseLog {
		return k.log.Public()
	}
	return k.result.Public()
}

// readKeys reads a keys folder. A private key that others on the machine may read is refused. A folder of before there was a state file is as
// it was: nothing is known of its keys but which of them sign. Keys that must not sign any more are read too: see maySign.
func readKeys(dir string) (keyFolder, error) {
	k := keyFolder{dir: dir, next: map[seal.Use]seal.PublicKey{}}
	var err error
	if k.result, err = readKey(filepath.Join(dir, resultKeyFile), seal.UseResult); err != nil {
		return keyFolder{}, err
	}
	if k.log, err = readKey(filepath.Join(dir, logKeyFile), seal.UseLog); err != nil {
		return keyFolder{}, err
	}
	retired, err := readRetired(dir)
	if err != nil {
		return keyFolder{}, err
	}
	if k.state, err = readKeyState(dir); err != nil {
		return keyFolder{}, err
	}
	published := []seal.PublicKey{k.result.Public(), k.log.Public()}
	for _, use := range []seal.Use{seal.UseResult, seal.UseLog} {
		_, name := keyFilesOf(use)
		key, err := readKey(filepath.Join(dir, name), use)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return keyFolder{}, err
		}
		k.next[use] = key.Public()
		published = append(published, key.Public())
	}
	all, err := k.state.applied(append(published, without(retired, published...)...))
	if err != nil {
		return keyFolder{}, fmt.Errorf("keys folder %s: %w", dir, err)
	}
	if k.ring, err = seal.NewRing(all...); err != nil {
		return keyFolder{}, fmt.Errorf("keys folder %s: %w", dir, err)
	}
	return k, nil
}

// maySign refuses a folder whose keys in use are retired or compromised: nothing is signed with such a key.
func (k keyFolder) maySign() error {
	for _, key := range []seal.Key{k.result, k.log} {
		if err := k.ring.MaySign(key.ID, key.Use); err != nil {
			return fmt.Errorf("%w; nothing is signed with it: make another with: ponderal keys rotate -use %s %s", err, key.Use, k.dir)
		}
	}
	return nil
}

func readKey(path string, use seal.Use) (seal.Key, error) {
	if err := ownersOnly(path); errors.Is(err, fs.ErrNotExist) {
		return seal.Key{}, fmt.Errorf("read key: %w (make the folder with: ponderal keys %s)", err, filepath.Dir(path))
	} else if err != nil {
		return seal.Key{}, fmt.Errorf("read key %s: %w", path, err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return seal.Key{}, fmt.Errorf("read key: %w", err)
	}
	key, err := seal.ParseKeyPEM(text, use)
	if err != nil {
		return seal.Key{}, fmt.Errorf("read key %s: %w", path, err)
	}
	return key, nil
}

// ownersOnly refuses a file that others on the machine may read or write.
func ownersOnly(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if info.Mode().Perm()&0o077 != 0 {
		return fmt.Errorf("others may read it (mode %04o): chmod 600 it, or make new keys if they may have", info.Mode().Perm())
	}
	return nil
}

func readRetired(dir string) ([]seal.PublicKey, error) {
	text, err := os.ReadFile(filepath.Join(dir, retiredFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read retired keys: %w", err)
	}
	ring, err := seal.ParseJWKS(text)
	if err != nil {
		return nil, fmt.Errorf("read retired keys: %w", err)
	}
	return ring.Keys(), nil
}

// without gives the keys that are not among those named: a rotation that was cut short leaves a key in both places.
func without(keys []seal.PublicKey, named ...seal.PublicKey) []seal.PublicKey {
	return slices.DeleteFunc(slices.Clone(keys), func(k seal.PublicKey) bool {
		return slices.ContainsFunc(named, func(n seal.PublicKey) bool { return n.ID == k.ID })
	})
}

// makeKey writes a new key and returns its public half. mode is os.O_EXCL for a file that must not be there.
func makeKey(path string, use seal.Use, random io.Reader, mode int) (seal.PublicKey, error) {
	key, err := seal.GenerateKey(random, use)
	if err != nil {
		return seal.PublicKey{}, fmt.Errorf("make %s key: %w", use, err)
	}
	text, err := seal.EncodeKeyPEM(key)
	if err != nil {
		return seal.PublicKey{}, fmt.Errorf("make %s key: %w", use, err)
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|mode, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return seal.PublicKey{}, fmt.Errorf("make %s key: %s is there already; to replace it: ponderal keys rotate -use %s %s", use, path, use, filepath.Dir(path))
	}
	if err != nil {
		return seal.PublicKey{}, fmt.Errorf("make %s key: %w", use, err)
	}
	_, err = file.Write(text)
	return key.Public(), errors.Join(err, file.Sync(), file.Close())
}
