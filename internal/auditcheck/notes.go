package auditcheck

import (
	"fmt"
	"slices"

	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
)

func (c *check) nextNote() {
	c.note = nil
	if n, ok := c.checkpoints(); ok {
		c.note = &n
		c.report.Checkpoints++
	}
}

// signedRoots checks the stored checkpoint of a size, if there is one, and returns the roots against which a proof of that size may hold:
// the signed one, or else those of the entries. A nil answer says that no checkpoint is stored.
func (c *check) signedRoots(size int64) []merkle.Hash {
	for c.note != nil && c.note.Size < size {
		c.nextNote()
	}
	if c.note == nil || c.note.Size != size {
		return nil
	}
	n := *c.note
	c.nextNote()
	roots := c.tree.roots()
	key := fmt.Sprintf("of size %d", n.Size)
	signed, err := seal.VerifyCheckpoint(c.ring, c.origin, n.Note)
	switch {
	case n.Entry != n.Size-1:
		c.add(tableCheckpoint, key, n.Entry, "column entry_number is not that of the newest entry it signs")
	case err != nil:
		c.add(tableCheckpoint, key, n.Entry, "it does not verify under the key set as a checkpoint of this log")
	case signed.Size != n.Size:
		c.add(tableCheckpoint, key, n.Entry, fmt.Sprintf("its note is that of size %d", signed.Size))
	case len(roots) == 0 || slices.Contains(roots, signed.Root):
		c.signed = n.Size
		return []merkle.Hash{signed.Root}
	case !c.broken:
		c.broken = true
		c.add(tableCheckpoint, key, n.Entry, fmt.Sprintf("what it signs is not what is stored: of the entries %d to %d, some are not those that were signed",
			c.signed, n.Size-1))
		return []merkle.Hash{signed.Root}
	}
	return append([]merkle.Hash{}, roots...)
}

// notesBeyond names the checkpoints of sizes that the log does not have.
func (c *check) notesBeyond() {
	for ; c.note != nil; c.nextNote() {
		c.add(tableCheckpoint, fmt.Sprintf("of size %d", c.note.Size), c.note.Entry, fmt.Sprintf("the log has only %d entries", c.tree.size))
	}
}

// knownAt compares the checkpoints from outside of the tree's size.
func (c *check) knownAt() {
	for _, k := range c.known {
		if k.Size != c.tree.size || c.broken {
			continue
		}
		if roots := c.tree.roots(); len(roots) > 0 && !slices.Contains(roots, k.Root) {
			c.add(tableKnown, fmt.Sprintf("of size %d", k.Size), NoEntry, "the entries that it signed are not those that are stored")
		}
	}
}
