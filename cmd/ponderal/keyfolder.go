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

// The files of a keys folder: a private key for each use in PEM, for the owner's eyes only, and the public keys that signed before.
const (
	resultKeyFile = "result.pem"
	logKeyFile    = "log.pem"
	retiredFile   = "retired.json"
)

// keyFolder is what a keys folder holds.
type keyFolder struct {
	result, log seal.Key
	ring        seal.Ring
}

// readKeys reads a keys folder. A private key that others on the machine may read is refused.
func readKeys(dir string) (keyFolder, error) {
	var k keyFolder
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
	current := []seal.PublicKey{k.result.Public(), k.log.Public()}
	k.ring, err = seal.NewRing(append(current, without(retired, current...)...)...)
	if err != nil {
		return keyFolder{}, fmt.Errorf("keys folder %s: %w", dir, err)
	}
	return k, nil
}

func readKey(path string, use seal.Use) (seal.Key, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return seal.Key{}, fmt.Errorf("read key: %w (make the folder with: ponderal keys %s)", err, filepath.Dir(path))
	}
	if err != nil {
		return seal.Key{}, fmt.Errorf("read key: %w", err)
	}
	if loose := info.Mode().Perm() & 0o077; loose != 0 {
		return seal.Key{}, fmt.Errorf("read key %s: others may read it (mode %04o): chmod 600 it, or make new keys if they may have", path, info.Mode().Perm())
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

// makeKeys makes a keys folder; keys that are there already are never written over.
func makeKeys(dir string, random io.Reader) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make keys folder: %w", err)
	}
	for name, use := range map[string]seal.Use{resultKeyFile: seal.UseResult, logKeyFile: seal.UseLog} {
		if err := makeKey(filepath.Join(dir, name), use, random, os.O_EXCL); err != nil {
			return err
		}
	}
	return nil
}

// makeKey writes a new key. mode is os.O_EXCL for a file that must not be there.
func makeKey(path string, use seal.Use, random io.Reader, mode int) error {
	key, err := seal.GenerateKey(random, use)
	if err != nil {
		return fmt.Errorf("make %s key: %w", use, err)
	}
	text, err := seal.EncodeKeyPEM(key)
	if err != nil {
		return fmt.Errorf("make %s key: %w", use, err)
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|mode, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("make %s key: %s is there already; to replace it, use -rotate %s", use, path, use)
	}
	if err != nil {
		return fmt.Errorf("make %s key: %w", use, err)
	}
	_, err = file.Write(text)
	return errors.Join(err, file.Sync(), file.Close())
}

// rotateKey retires the key of a use and makes a new one. The public half of the old one stays in the key set, so that what it signed
// verifies. Retired first: a crash between the two steps leaves the old key in use and in both places, which readers and the next rotation take.
func rotateKey(dir string, use seal.Use, random io.Reader) error {
	k, err := readKeys(dir)
	if err != nil {
		return err
	}
	name, old := resultKeyFile, k.result.Public()
	if use == seal.UseLog {
		name, old = logKeyFile, k.log.Public()
	}
	retired, err := readRetired(dir)
	if err != nil {
		return err
	}
	ring, err := seal.NewRing(append(without(retired, old), old)...)
	if err != nil {
		return fmt.Errorf("retire key: %w", err)
	}
	text, err := ring.JWKS()
	if err != nil {
		return fmt.Errorf("retire key: %w", err)
	}
	fresh := filepath.Join(dir, name+".new")
	if err := makeKey(fresh, use, random, os.O_TRUNC); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, retiredFile), text, 0o644); err != nil {
		return fmt.Errorf("retire key: %w", err)
	}
	if err := os.Rename(fresh, filepath.Join(dir, name)); err != nil {
		return fmt.Errorf("put the new key in place: %w", err)
	}
	return nil
}
