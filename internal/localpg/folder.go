package localpg

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// The folder of a private cluster:
//
//	ponderal-localpg.json  says that the folder is ours; holds the passwords
//	lock                   locked by the process that uses the folder
//	data/                  the cluster, complete (it is renamed into place)
//	data.new/              a cluster whose making was cut short; made anew
//	postgres.log           what the server said since its last start
//	.s.PGSQL.PORT          the socket, while the server runs
const (
	markerName   = "ponderal-localpg.json"
	lockName     = "lock"
	dataName     = "data"
	dataNewName  = "data.new"
	logName      = "postgres.log"
	tempPrefix   = "ponderal-pg-"
	markerKind   = "ponderal private postgres"
	markerFormat = 1
)

// marker is the content of the marker file. Temporary is set for a folder that
// nobody wants after the end of the process that made it.
type marker struct {
	Kind      string `json:"kind"`
	Format    int    `json:"format"`
	Temporary bool   `json:"temporary"`
	secrets
}

// folder is a private cluster's folder that this process has locked.
type folder struct {
	path    string
	kept    bool
	lock    *os.File
	secrets secrets
}

func (f *folder) join(name string) string { return filepath.Join(f.path, name) }

// openFolder makes or reopens the folder that the options ask for and locks it.
func openFolder(o Options, acc account) (*folder, error) {
	if o.KeepDir == "" {
		return newTempFolder(o, acc)
	}
	path, err := filepath.Abs(o.KeepDir)
	if err != nil {
		return nil, fmt.Errorf("keep folder: %w", err)
	}
	entries, err := os.ReadDir(path)
	if errors.Is(err, fs.ErrNotExist) {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return nil, fmt.Errorf("make keep folder: %w", err)
		}
		if err := os.Mkdir(path, 0o700); err != nil {
			return nil, fmt.Errorf("make keep folder: %w", err)
		}
		return newFolder(o, acc, path)
	}
	if err != nil {
		return nil, fmt.Errorf("read keep folder: %w", err)
	}
	if len(entries) == 0 {
		return newFolder(o, acc, path)
	}
	return reopenFolder(path)
}

func newTempFolder(o Options, acc account) (*folder, error) {
	sweep(o.TempDir, acc)
	path, err := os.MkdirTemp(o.TempDir, tempPrefix)
	if err != nil {
		return nil, fmt.Errorf("make private folder: %w", err)
	}
	f, err := newFolder(o, acc, path)
	if err != nil {
		return nil, errors.Join(err, os.RemoveAll(path))
	}
	return f, nil
}

// newFolder locks an empty folder before it marks it, so that a marked folder
// without a locked lock is one whose process is gone.
func newFolder(o Options, acc account, path string) (*folder, error) {
	f := &folder{path: path, kept: o.KeepDir != ""}
	if err := f.takeLock(); err != nil {
		return nil, err
	}
	if err := f.mark(o, acc); err != nil {
		return nil, errors.Join(err, f.unlock())
	}
	return f, nil
}

func (f *folder) mark(o Options, acc account) error {
	made, err := newSecrets(o.Random)
	if err != nil {
		return err
	}
	f.secrets = made
	text, err := json.MarshalIndent(marker{markerKind, markerFormat, !f.kept, made}, "", "  ")
	if err != nil {
		return fmt.Errorf("encode marker: %w", err)
	}
	if err := os.Chmod(f.path, 0o700); err != nil {
		return fmt.Errorf("close folder to others: %w", err)
	}
	if err := acc.give(f.path); err != nil {
		return err
	}
	if err := os.WriteFile(f.join(markerName), append(text, '\n'), 0o600); err != nil {
		return fmt.Errorf("write marker: %w", err)
	}
	return nil
}

// reopenFolder takes a folder that an earlier run made. It writes nothing before
// it knows that the folder is ours.
func reopenFolder(path string) (*folder, error) {
	m, err := readMarker(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("keep folder %s is not empty and was not made by ponderal: choose a new or empty folder", path)
	}
	if err != nil {
		return nil, fmt.Errorf("keep folder %s: %w", path, err)
	}
	f := &folder{path: path, kept: true, secrets: m.secrets}
	if err := f.takeLock(); err != nil {
		return nil, err
	}
	return f, nil
}

func readMarker(path string) (marker, error) {
	text, err := os.ReadFile(filepath.Join(path, markerName))
	if err != nil {
		return marker{}, fmt.Errorf("read marker: %w", err)
	}
	var m marker
	if err := json.Unmarshal(text, &m); err != nil {
		return marker{}, fmt.Errorf("read marker: %w", err)
	}
	if m.Kind != markerKind || m.Format != markerFormat {
		return marker{}, fmt.Errorf("marker says %q format %d, not %q format %d", m.Kind, m.Format, markerKind, markerFormat)
	}
	if m.Superuser == "" || m.Owner == "" || m.Service == "" {
		return marker{}, errors.New("marker lacks a password")
	}
	return m, nil
}

func (f *folder) takeLock() error {
	file, err := os.OpenFile(f.join(lockName), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return fmt.Errorf("open lock: %w", err)
	}
	free, err := tryLock(file)
	if err == nil && !free {
		err = fmt.Errorf("folder %s is in use by another running ponderal: stop that one or choose another folder", f.path)
	}
	if err != nil {
		return errors.Join(err, file.Close())
	}
	f.lock = file
	return nil
}

func (f *folder) unlock() error { return f.lock.Close() }

// release gives the folder back after its server has stopped: removed, unless
// it is to be kept.
func (f *folder) release() error {
	if f.kept {
		return f.unlock()
	}
	return errors.Join(os.RemoveAll(f.path), f.unlock())
}

// sweep removes temporary folders of ours whose process was killed and whose
// server is gone. What is not a folder of the account that would have made it, or
// cannot be read or removed, it leaves.
func sweep(tempDir string, acc account) {
	paths, err := filepath.Glob(filepath.Join(tempDir, tempPrefix+"*"))
	if err != nil {
		return
	}
	for _, path := range paths {
		if info, err := os.Lstat(path); err != nil || !info.IsDir() || !acc.owns(info) {
			continue
		}
		if m, err := readMarker(path); err != nil || !m.Temporary {
			continue
		}
		f := &folder{path: path}
		if f.takeLock() != nil {
			continue
		}
		if f.serverPID() != 0 {
			_ = f.unlock()
			continue
		}
		_ = f.release()
	}
}

// serverPID is the process id of a postmaster that still uses the folder, 0
// when there is none.
func (f *folder) serverPID() int {
	text, err := os.ReadFile(filepath.Join(f.path, dataName, "postmaster.pid"))
	if err != nil {
		return 0
	}
	first, _, _ := strings.Cut(string(text), "\n")
	var pid int
	if _, err := fmt.Sscan(first, &pid); err != nil || pid <= 0 || !alive(pid) {
		return 0
	}
	return pid
}
