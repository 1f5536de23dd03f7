package client

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// Folder is an outbox in a folder: a file for each session, named by its place in the queue and its id. A file is written whole, flushed and then named,
// and the folder is flushed after it, so that what is there is whole even after the power was cut. Only one process uses it at a time. Sessions that were
// refused lie in its folder `refused`, each with a `.why` beside it (a ponderal.v1.PushedSession).
type Folder struct {
	dir string

	mu   sync.Mutex
	next uint64
}

const (
	sessionSuffix = ".session"
	refusedDir    = "refused"
)

// OpenFolder makes the folder where it is not there, with rights for its owner alone, and finds what waits in it.
func OpenFolder(dir string) (*Folder, error) {
	if err := os.MkdirAll(filepath.Join(dir, refusedDir), 0o700); err != nil {
		return nil, fmt.Errorf("open outbox: %w", err)
	}
	f := &Folder{dir: dir}
	waiting, err := f.list()
	if err != nil {
		return nil, fmt.Errorf("open outbox: %w", err)
	}
	for _, w := range waiting {
		f.next = max(f.next, w.place+1)
	}
	return f, nil
}

// queued is a file of the queue.
type queued struct {
	place uint64
	id    string
	name  string
}

// list is the queue in its order. Files that were not named to the end are no part of it.
func (f *Folder) list() ([]queued, error) {
	entries, err := os.ReadDir(f.dir)
	if err != nil {
		return nil, err
	}
	var out []queued
	for _, e := range entries {
		base, ok := strings.CutSuffix(e.Name(), sessionSuffix)
		place, id, two := strings.Cut(base, "-")
		n, err := strconv.ParseUint(place, 10, 64)
		if ok && two && err == nil {
			out = append(out, queued{place: n, id: id, name: e.Name()})
		}
	}
	slices.SortFunc(out, func(a, b queued) int { return cmp.Compare(a.place, b.place) })
	return out, nil
}

// Put keeps a session.
func (f *Folder) Put(id string, session []byte) error {
	if id == "" || strings.ContainsAny(id, "/\\.") || len(id) > 64 {
		return errors.New("a session's id cannot name a file")
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	waiting, err := f.list()
	if err != nil {
		return err
	}
	name := fmt.Sprintf("%020d-%s%s", f.next, id, sessionSuffix)
	if at := slices.IndexFunc(waiting, func(q queued) bool { return q.id == id }); at >= 0 {
		name = waiting[at].name
	} else {
		f.next++
	}
	return writeWhole(f.dir, name, session)
}

// Next are sessions that wait.
func (f *Folder) Next(limit int) ([]Waiting, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	waiting, err := f.list()
	if err != nil {
		return nil, err
	}
	var out []Waiting
	for _, q := range waiting[:min(limit, len(waiting))] {
		body, err := os.ReadFile(filepath.Join(f.dir, q.name))
		if err != nil {
			return nil, err
		}
		out = append(out, Waiting{ID: q.id, Session: body})
	}
	return out, nil
}

// Done forgets a session, unless it was replaced meanwhile.
func (f *Folder) Done(w Waiting) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	name, err := f.find(w)
	if err != nil || name == "" {
		return err
	}
	if err := os.Remove(filepath.Join(f.dir, name)); err != nil {
		return err
	}
	return flush(f.dir)
}

// Refused keeps a session aside, unless it was replaced meanwhile: then the new one waits.
func (f *Folder) Refused(w Waiting, why []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	name, err := f.find(w)
	if err != nil || name == "" {
		return err
	}
	aside := filepath.Join(f.dir, refusedDir)
	if err := writeWhole(aside, name+".why", why); err != nil {
		return err
	}
	if err := os.Rename(filepath.Join(f.dir, name), filepath.Join(aside, name)); err != nil {
		return err
	}
	return errors.Join(flush(aside), flush(f.dir))
}

// find is the file that holds exactly this; empty where none does.
func (f *Folder) find(w Waiting) (string, error) {
	waiting, err := f.list()
	if err != nil {
		return "", err
	}
	for _, q := range waiting {
		if q.id != w.ID {
			continue
		}
		body, err := os.ReadFile(filepath.Join(f.dir, q.name))
		if errors.Is(err, fs.ErrNotExist) || err == nil && !bytes.Equal(body, w.Session) {
			return "", nil
		}
		return q.name, err
	}
	return "", nil
}

// writeWhole writes a file under another name first, so that under its own it is whole or not there.
func writeWhole(dir, name string, body []byte) (err error) {
	file, err := os.CreateTemp(dir, ".new-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.Remove(file.Name())
		}
	}()
	_, err = file.Write(body)
	if err == nil {
		err = file.Sync()
	}
	if err = errors.Join(err, file.Close()); err != nil {
		return err
	}
	if err = os.Rename(file.Name(), filepath.Join(dir, name)); err != nil {
		return err
	}
	return flush(dir)
}

// flush makes the folder's own entries last.
func flush(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
