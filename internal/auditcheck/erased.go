package auditcheck

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// An entry whose content and salt were erased on lawful demand keeps its tree hashes, so that the tree is rebuilt as before. A later entry names it,
// with a digest of what is left: when, which action, of which subjects, and the keys of the rows that it wrote, whose bodies must be empty.

// told is what a later entry says of one that was erased.
type told struct {
	by      int64
	remains string
}

// readErasures reads what the log's erasures say, before anything else is read.
func (c *check) readErasures(ctx context.Context, tx *store.Tx) error {
	rows, err := tx.Erasures(ctx)
	if err != nil {
		return err
	}
	c.erasures = make(map[int64]told)
	for _, row := range rows {
		// One that cannot be read is named where it stands.
		e, readable := readEntry(row.Content)
		if !readable {
			continue
		}
		sound := len(e.Erased) > 0 && len(e.Erased) == len(e.Remains)
		for i, n := range e.Erased {
			_, twice := c.erasures[n]
			if sound = sound && !twice && n >= 0 && n < row.Number; sound {
				c.erasures[n] = told{by: row.Number, remains: e.Remains[i]}
			}
		}
		if !sound {
			c.addEntry(row.Number, "what it says of the entries that it erased is not well formed")
		}
	}
	return nil
}

// erasedLeaf adds an entry without content to the tree, by the leaf hash that it keeps.
func (c *check) erasedLeaf(e store.EntryScan) entryRows {
	x := entryRows{number: e.Number, erased: &e}
	kept, whole := split(e.Number, e.Nodes)
	var above []merkle.Hash
	if whole {
		x.leaves, above = kept[:1:1], kept[1:]
	} else {
		c.addEntry(e.Number, "the tree hashes that it keeps are not as many as it completes")
	}
	c.untold(e)
	if e.Salt != nil {
		c.addEntry(e.Number, "its content was taken out, and its salt was not")
	}
	c.grow(e.Number, x.leaves, above)
	return x
}

// grow adds an entry to the tree and names the hashes above it that do not follow from the entries.
func (c *check) grow(number int64, leaves, above []merkle.Hash) {
	if wrong := c.tree.leaf(leaves, above); len(wrong) > 0 {
		first := number + 1 - int64(1)<<wrong[0]
		c.addEntry(number, fmt.Sprintf("the tree hash that it keeps over entries %d to %d is not that of these entries: one of them, or the hash, was altered",
			first, number))
	}
}

// untold names an entry that has lost its content although no later one says so.
func (c *check) untold(e store.EntryScan) {
	if _, ok := c.erasures[e.Number]; !ok && e.Content == nil {
		c.addEntry(e.Number, "its content was taken out, and no later entry says that it was erased on demand")
	}
}

// stillThere names an entry that has its content although a later one says that it was erased.
func (c *check) stillThere(e store.EntryScan) {
	if t, ok := c.erasures[e.Number]; ok && e.Content != nil {
		c.addEntry(e.Number, fmt.Sprintf("entry %d says that it was erased, and it is still there", t.by))
	}
}

// erasedRows checks the rows of an entry without content: empty all, and together with the entry's columns what was recorded to be left.
func (c *check) erasedRows(x entryRows, roots []merkle.Hash) error {
	lines := []string{entryLine(*x.erased)}
	err := c.each(x.number, func(r row) {
		lines = append(lines, r.line())
		switch {
		case string(r.body) != record.Erased, r.result != nil && r.result.Enclosed != nil:
			c.add(r.kind, r.name(), x.number, fmt.Sprintf("it is stored, though entry %d, which it names as its origin, has no content any more", x.number))
		case r.result != nil && !c.broken:
			if words := proves(*r.result, x, roots); words != "" {
				c.add(r.kind, r.name(), x.number, words)
			}
		}
	})
	if err != nil {
		return err
	}
	slices.Sort(lines)
	left := canon.DigestBase64url(canon.Digest(nil, []byte(strings.Join(lines, "\n"))))
	if t, ok := c.erasures[x.number]; ok && t.remains != left {
		c.addEntry(x.number, fmt.Sprintf("what is left of it and of the rows that it wrote is not what entry %d recorded when it was erased", t.by))
	}
	return nil
}

// entryLine is what is left of an entry.
func entryLine(e store.EntryScan) string {
	return fmt.Sprintf("entry %d at %s action %s subjects %s", e.Number, record.TimeOf(e.At), e.Action, strings.Join(e.Subjects, " "))
}

// line is what is left of an erased row: its key and what it refers to.
func (r row) line() string {
	text := r.kind + " " + r.name()
	switch {
	case r.kind == record.KindSession:
		return text + " referral " + r.referral
	case r.kind == record.KindFeedItem:
		return text + " result " + r.id
	case r.result != nil:
		supersedes := r.result.Supersedes
		if supersedes == "" {
			supersedes = "-"
		}
		return fmt.Sprintf("%s session %s revision %d supersedes %s", text, r.result.SessionID, r.result.SessionRevision, supersedes)
	}
	return text
}
