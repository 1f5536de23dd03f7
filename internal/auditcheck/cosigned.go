package auditcheck

import (
	"context"
	"fmt"
	"io"
	"slices"

	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

const tableCosignature = "cosignature"

// Witness is what a stored witness said, over all logs that were checked.
type Witness struct {
	Name string
	// Key is the verifier key that stands beside its cosignatures.
	Key string
	// Believed says that the key is one of Options.Witnesses. Of any other nobody knows whose it is: whoever could write rows could have made one.
	Believed bool
	// Heads counts the heads that it cosigned and that are the log's.
	Heads int64
}

// cosigned is what the check keeps of the cosignatures.
type cosigned struct {
	believed []seal.Witness
	next     func() (store.CosignatureRow, bool)
	row      *store.CosignatureRow
}

// openCosigned begins the scan.
func (c *check) openCosigned(ctx context.Context, tx *store.Tx) (stop func(), failed *error) {
	next, stop, failed := pulled(c.reader, func(fn func(store.CosignatureRow) error) error { return tx.ScanCosignatures(ctx, fn) })
	c.cosigned.next = next
	return stop, failed
}

func (c *check) nextCosigned() {
	c.cosigned.row = nil
	if row, ok := c.cosigned.next(); ok {
		c.cosigned.row = &row
	}
}

// cosignedAt compares every cosignature of the tree's size with the tree. signed says that a checkpoint of that size is stored.
func (c *check) cosignedAt(signed bool) {
	for c.cosigned.row != nil && c.cosigned.row.Size <= c.tree.size {
		row := *c.cosigned.row
		c.nextCosigned()
		c.cosignature(row, signed)
	}
}

func (c *check) cosignature(row store.CosignatureRow, signed bool) {
	key := fmt.Sprintf("of size %d", row.Size)
	w, err := seal.ParseWitness(row.Witness)
	if err == nil {
		key += " by " + w.Name()
	}
	holds := func() bool {
		roots := c.tree.roots()
		return len(roots) == 0 || slices.ContainsFunc(roots, func(root [32]byte) bool {
			_, err := seal.VerifyCosignature(w, seal.Checkpoint{Origin: c.origin, Size: row.Size, Root: root}, row.Line)
			return err == nil
		})
	}
	switch {
	case err != nil:
		c.add(tableCosignature, key, row.Entry, "column witness is no verifier key")
	case row.Entry != row.Size-1:
		c.add(tableCosignature, key, row.Entry, "column entry_number is not that of the newest entry it covers")
	case !holds():
		c.add(tableCosignature, key, row.Entry, "what the witness cosigned is not what is stored: an entry up to there, or the cosignature, was altered")
	case !signed:
		c.add(tableCosignature, key, row.Entry, "the checkpoint that it cosigned is gone")
	default:
		c.report.saw(w, slices.ContainsFunc(c.cosigned.believed, func(b seal.Witness) bool { return b.String() == row.Witness }), 1)
	}
}

// cosignedBeyond names the cosignatures of sizes that the log does not have.
func (c *check) cosignedBeyond() {
	for ; c.cosigned.row != nil; c.nextCosigned() {
		c.add(tableCosignature, fmt.Sprintf("of size %d", c.cosigned.row.Size), c.cosigned.row.Entry,
			fmt.Sprintf("the log has only %d entries: it was cut", c.tree.size))
	}
}

// saw counts heads of a witness.
func (r *Report) saw(w seal.Witness, believed bool, heads int64) {
	i := slices.IndexFunc(r.Witnesses, func(x Witness) bool { return x.Key == w.String() })
	if i < 0 {
		i = len(r.Witnesses)
		r.Witnesses = append(r.Witnesses, Witness{Name: w.Name(), Key: w.String(), Believed: believed})
	}
	r.Witnesses[i].Heads += heads
}

// joinWitnesses adds what was seen in another log.
func (r *Report) joinWitnesses(others []Witness) {
	for _, o := range others {
		i := slices.IndexFunc(r.Witnesses, func(x Witness) bool { return x.Key == o.Key })
		if i < 0 {
			r.Witnesses = append(r.Witnesses, o)
			continue
		}
		r.Witnesses[i].Heads += o.Heads
	}
}

// writeWitnesses says which witnesses stand behind the heads.
func (r Report) writeWitnesses(w io.Writer) error {
	for _, x := range r.Witnesses {
		text := "verified with the key that was given for it"
		if !x.Believed {
			text = "not verified: its key was not given, and whoever can write rows can make one"
		}
		if _, err := fmt.Fprintf(w, "Witness %s cosigned %d of the heads; %s.\n", x.Name, x.Heads, text); err != nil {
			return fmt.Errorf("write report: %w", err)
		}
	}
	return nil
}
