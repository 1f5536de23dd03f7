package auditcheck

import (
	"errors"
	"fmt"

	"ponderal.example/internal/merkle"
	"ponderal.example/internal/store"
)

// ErrMark says that a log is not the one that a mark was made of, or was changed since up to the mark: the check must begin at its start to say
// what differs.
var ErrMark = errors.New("the saved state does not fit the log: what was checked then is not what is stored now; check from the start, without the state")

// Mark is how far the check of one clinic's log came without finding anything.
type Mark struct {
	Clinic string `json:"clinic"`
	// Size is how many entries, from the first, are checked with all that they wrote; Edge the right edge of their tree, 32 bytes a full
	// subtree, largest first.
	Size int64  `json:"size"`
	Edge []byte `json:"edge"`
}

// mark tells how far the check is, as long as it found nothing in this log.
func (c *check) mark() error {
	if c.save == nil || c.tree.size <= c.from.Size || len(c.report.Problems) > 0 || c.report.Omitted > 0 {
		return nil
	}
	m := Mark{Clinic: c.clinic, Size: c.tree.size}
	for _, s := range c.tree.edge {
		if len(s.hashes) != 1 {
			return nil
		}
		m.Edge = append(m.Edge, s.hashes[0][:]...)
	}
	return c.save(m)
}

// skip passes over an entry before the mark with the rows that it wrote. Its content is not read again, only whether it is there; its leaf hash is, so that at the mark
// the tree must be the one that was checked.
func (c *check) skip(e store.EntryScan) error {
	kept, whole := split(e.Number, e.Nodes)
	if !whole || e.Number != c.tree.size || len(c.tree.leaf(kept[:1:1], kept[1:])) > 0 {
		return fmt.Errorf("entry %d: %w", e.Number, ErrMark)
	}
	// Whether content was rightly taken since is told without reading any.
	c.stillThere(e)
	c.untold(e)
	c.report.Before++
	if c.report.Before%progressEvery == 0 {
		c.tell()
	}
	for c.note != nil && c.note.Size <= c.tree.size {
		c.note = nil
		if n, ok := c.checkpoints(); ok {
			c.note = &n
		}
	}
	c.knownAt()
	c.cosignedAt(true)
	for _, s := range c.tables {
		for s.there && s.current.entry <= e.Number {
			if err := s.advance(); err != nil {
				return err
			}
		}
	}
	if c.tree.size == c.from.Size {
		return c.arrive()
	}
	return nil
}

// arrive is reached with the last entry before the mark.
func (c *check) arrive() error {
	if len(c.from.Edge) != len(c.tree.edge)*merkle.HashSize || !c.tree.fits(c.from.Edge) {
		return fmt.Errorf("size %d: %w", c.from.Size, ErrMark)
	}
	c.signed = c.from.Size
	c.head()
	return nil
}
