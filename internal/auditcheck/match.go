package auditcheck

import (
	"encoding/base64"
	"fmt"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// entryRows is an entry as its rows are compared with it.
type entryRows struct {
	number     int64
	salt       []byte
	entry      record.Entry
	unreadable bool
	// altered says that the content is not what was logged, so that what it says of rows proves nothing.
	altered bool
	// leaves are the candidates of its leaf hash.
	leaves []merkle.Hash
	// erased is the entry as it is stored where it has no content; nil for a whole one.
	erased *store.EntryScan
}

// named are the records of an entry that no row has been found for.
type named struct {
	digests map[recordKey][merkle.HashSize]byte
	order   []recordKey
}

func (n *named) put(k recordKey, digest [merkle.HashSize]byte) bool {
	if _, twice := n.digests[k]; twice {
		return false
	}
	n.digests[k] = digest
	n.order = append(n.order, k)
	return true
}

// recordsOf lists what an entry names; ok is false when it names something twice or in a form that is not ours.
func recordsOf(e record.Entry) (n named, ok bool) {
	n.digests = make(map[recordKey][merkle.HashSize]byte, len(e.Records))
	ok = true
	for _, w := range e.Records {
		digest, sound := digestOf(w.Digest)
		ok = n.put(recordKey{kind: w.Kind, id: w.ID, revision: w.Revision}, digest) && sound && ok
		for _, run := range w.Trials {
			joined, err := spelling.DecodeString(run.Digests)
			if err != nil || len(joined)%merkle.HashSize != 0 || w.Kind != record.KindSession {
				ok = false
				continue
			}
			for i := 0; len(joined) > 0; i, joined = i+1, joined[merkle.HashSize:] {
				k := recordKey{kind: record.KindTrial, id: w.ID, revision: w.Revision, series: run.Series, trial: run.First + i}
				ok = n.put(k, [merkle.HashSize]byte(joined)) && ok
			}
		}
	}
	return n, ok
}

// spelling is how entries spell digests: each has one spelling only.
var spelling = base64.RawURLEncoding.Strict()

// digestOf reads a digest. One that is none has no bytes that a record could have.
func digestOf(text string) (d [merkle.HashSize]byte, ok bool) {
	if len(text) != spelling.EncodedLen(len(d)) {
		return d, false
	}
	var room [merkle.HashSize]byte
	n, err := spelling.Decode(room[:], []byte(text))
	if err != nil || n != len(room) {
		return d, false
	}
	return room, true
}

// finding is one row's problem, held back until it is known whether the entry itself is the cause.
type finding struct{ table, key, what string }

// rows compares the rows of an entry with what the entry says, and finds what it says without a row.
func (c *check) rows(x entryRows, roots []merkle.Hash) error {
	if x.erased != nil {
		return c.erasedRows(x, roots)
	}
	expected, sound := recordsOf(x.entry)
	if !sound && !x.unreadable && !x.altered {
		c.addEntry(x.number, "what it says of its records is not well formed")
	}
	var found []finding
	count, matched := 0, 0
	err := c.each(x.number, func(r row) {
		count++
		if x.unreadable {
			return
		}
		f := c.row(r, x, &expected)
		if f == "" {
			matched++
			f = c.rest(r, x, roots)
		}
		if f != "" {
			found = append(found, finding{r.kind, r.name(), f})
		}
	})
	if err != nil {
		return err
	}
	for _, k := range expected.order {
		if _, left := expected.digests[k]; left && !x.unreadable {
			found = append(found, finding{k.kind, k.String(), fmt.Sprintf("entry %d recorded it, and it is not stored: it was deleted or moved", x.number)})
		}
	}
	c.tellRows(x, found, count, matched)
	return nil
}

// tellRows reports the rows' problems. Where an entry was altered and no row matches it any more, the entry is the one cause, which is
// reported already.
func (c *check) tellRows(x entryRows, found []finding, count, matched int) {
	if x.unreadable || x.altered && matched == 0 {
		if count > 0 {
			c.addEntry(x.number, fmt.Sprintf("for that reason the rows that it wrote cannot be checked: %d", count))
		}
		return
	}
	for _, f := range found {
		if x.altered {
			f.what += fmt.Sprintf(" (entry %d was altered itself)", x.number)
		}
		c.add(f.table, f.key, x.number, f.what)
	}
}

// row compares a row with what its entry says of it, and strikes it off the list.
func (c *check) row(r row, x entryRows, expected *named) string {
	digest, there := expected.digests[r.recordKey]
	if !there {
		return fmt.Sprintf("entry %d, which it names as its origin, did not write it", x.number)
	}
	delete(expected.digests, r.recordKey)
	if canon.Digest(x.salt, r.body) != digest {
		return fmt.Sprintf("stored content is not what entry %d recorded", x.number)
	}
	return ""
}

// rest checks what the log has no digest of.
func (c *check) rest(r row, x entryRows, roots []merkle.Hash) string {
	if r.own != nil {
		if words := r.own(); words != "" {
			return words
		}
	}
	// A tree that is not the one that was signed proves nothing: its cause is named already.
	if r.result == nil || c.broken {
		return ""
	}
	return proves(*r.result, x, roots)
}

// proves checks a result's inclusion proof against the checkpoint that was signed with it.
func proves(r store.ResultScan, x entryRows, roots []merkle.Hash) string {
	if roots == nil {
		return fmt.Sprintf("the checkpoint of size %d that it is proved by is missing", x.number+1)
	}
	if len(r.Path)%merkle.HashSize != 0 {
		return "its proof is not made of hashes"
	}
	var path []merkle.Hash
	for p := r.Path; len(p) > 0; p = p[merkle.HashSize:] {
		path = append(path, merkle.Hash(p[:merkle.HashSize]))
	}
	for _, root := range roots {
		for _, leaf := range x.leaves {
			if merkle.VerifyInclusion(path, x.number+1, root, x.number, leaf) == nil {
				return ""
			}
		}
	}
	return fmt.Sprintf("its proof does not show entry %d in the checkpoint of size %d", x.number, x.number+1)
}

// each visits every row that names an entry as its origin.
func (c *check) each(number int64, fn func(row)) error {
	if err := c.orphans(number); err != nil {
		return err
	}
	for _, s := range c.tables {
		for s.there && s.current.entry == number {
			c.report.Records++
			fn(s.current)
			if err := s.advance(); err != nil {
				return err
			}
		}
	}
	return nil
}

// namedOrphans is how many rows of one missing entry are named in one table; the rest are counted.
const namedOrphans = 3

// orphans names the rows whose entry is before a number and was not there.
func (c *check) orphans(before int64) error {
	for _, s := range c.tables {
		entry, count := NoEntry, 0
		for s.there && s.current.entry < before {
			r := s.current
			if r.entry != entry {
				c.more(entry, count)
				entry, count = r.entry, 0
			}
			count++
			c.report.Records++
			if count <= namedOrphans {
				c.add(r.kind, r.name(), r.entry, fmt.Sprintf("entry %d, which it names as its origin, is not there", r.entry))
			}
			if err := s.advance(); err != nil {
				return err
			}
		}
		c.more(entry, count)
	}
	return nil
}

func (c *check) more(entry int64, count int) {
	if count > namedOrphans {
		c.addEntry(entry, fmt.Sprintf("not there; so many further rows of a table name it as their origin: %d", count-namedOrphans))
	}
}

// String names a record as a row of it would be.
func (k recordKey) String() string {
	switch k.kind {
	case record.KindTrial:
		return revised(fmt.Sprintf("%s/%d/%d", k.id, k.series, k.trial), k.revision)
	case record.KindResult:
		return k.id
	case record.KindFeedItem:
		return "of result " + k.id
	}
	return revised(k.id, k.revision)
}
