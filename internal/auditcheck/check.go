package auditcheck

import (
	"context"
	"fmt"
	"math"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// progressEvery is after how many entries progress is told.
const progressEvery = 250

// maxGap is the longest run of missing entries that is bridged.
const maxGap = 1 << 20

// check is the check of one clinic's log.
type check struct {
	clinic, origin string
	ring           seal.Ring
	known          []seal.Checkpoint
	progress       func(Progress)
	at             Progress
	report         Report
	from           Mark
	save           func(Mark) error

	headSize int64
	headEdge []byte
	noHead   bool

	// erasures are what later entries say of those that were erased, by their numbers.
	erasures map[int64]told

	tree tree
	// signed is the size up to which signed checkpoints agree; broken is set once one did not.
	signed int64
	broken bool

	reader      *reader
	tables      []*source
	entries     func() (store.EntryScan, bool)
	checkpoints func() (store.CheckpointScan, bool)
	note        *store.CheckpointScan
	failures    []*error
	cosigned    cosigned
}

func (c *check) add(table, key string, entry int64, what string) {
	c.report.add(Problem{Clinic: c.clinic, Table: table, Key: key, Entry: entry, What: what})
}

func (c *check) addEntry(number int64, what string) {
	c.add(tableEntry, fmt.Sprint(number), number, what)
}

// run reads everything once, in the order of the entries.
func (c *check) run(ctx context.Context, tx *store.Tx) error {
	var err error
	c.headSize, c.headEdge, err = tx.Head(ctx)
	switch {
	case fault.Is(err, fault.NotFound):
		c.noHead = true
		c.add(tableHead, "", NoEntry, "it is gone")
	case err != nil:
		return err
	}
	if err := c.readErasures(ctx, tx); err != nil {
		return err
	}
	close := c.open(ctx, tx)
	defer close()
	for _, s := range c.tables {
		if err := s.advance(); err != nil {
			return err
		}
	}
	c.nextNote()
	c.nextCosigned()
	c.tell()
	next, more := c.entries()
	for more {
		current := next
		next, more = c.entries()
		var following *store.EntryScan
		if more {
			following = &next
		}
		if err := c.step(current, following); err != nil {
			return err
		}
	}
	return c.finish()
}

// open begins the scans; the returned function ends them.
func (c *check) open(ctx context.Context, tx *store.Tx) func() {
	c.reader = newReader()
	c.tables = c.sources(ctx, tx)
	var stops []func()
	for _, s := range c.tables {
		stops = append(stops, s.stop)
		c.failures = append(c.failures, s.failed)
	}
	entries, stop, failed := pulled(c.reader, func(fn func(store.EntryScan) error) error { return tx.ScanEntries(ctx, fn) })
	c.entries, stops, c.failures = entries, append(stops, stop), append(c.failures, failed)
	notes, stop, failed := pulled(c.reader, func(fn func(store.CheckpointScan) error) error { return tx.ScanCheckpoints(ctx, fn) })
	c.checkpoints, stops, c.failures = notes, append(stops, stop), append(c.failures, failed)
	stop, failed = c.openCosigned(ctx, tx)
	stops, c.failures = append(stops, stop), append(c.failures, failed)
	return func() {
		c.reader.stop()
		for _, stop := range stops {
			stop()
		}
	}
}

// failed is the first error of a scan, if any.
func (c *check) failed() error {
	for _, f := range c.failures {
		if *f != nil {
			return *f
		}
	}
	return nil
}

// step checks one entry: that none is missing before it, its place in the tree, the checkpoint after it and the rows that it wrote.
func (c *check) step(e store.EntryScan, next *store.EntryScan) error {
	if err := c.failed(); err != nil {
		return err
	}
	if c.tree.size < c.from.Size {
		return c.skip(e)
	}
	if c.report.Entries%progressEvery == 0 {
		c.tell()
		if err := c.mark(); err != nil {
			return err
		}
	}
	if c.misplaced(e) {
		return nil
	}
	if err := c.skipTo(e.Number); err != nil {
		return err
	}
	c.report.Entries++
	c.stillThere(e)
	x := c.leafOf(e, next)
	roots := c.signedRoots(e.Number + 1)
	c.head()
	c.knownAt()
	c.cosignedAt(roots != nil)
	return c.rows(x, roots)
}

// misplaced names an entry that follows on a gap without being the one that belongs after it, and so would only hide where the gap is.
func (c *check) misplaced(e store.EntryScan) bool {
	if e.Number <= c.tree.size {
		return false
	}
	v, readable := readEntry(e.Content)
	if readable && v.Number == e.Number && e.Number-c.tree.size <= maxGap {
		return false
	}
	what := "it is out of place: its content cannot be read"
	if readable {
		what = fmt.Sprintf("it is out of place: its content says that it is number %d", v.Number)
	}
	c.addEntry(e.Number, what)
	return true
}

// skipTo names the entries that are missing before a number, and the rows that they wrote.
func (c *check) skipTo(number int64) error {
	first := c.tree.size
	if first >= number {
		return nil
	}
	c.add(tableEntry, span(first, number), first, "missing, while later ones are there")
	for c.tree.size < number {
		c.tree.leaf(nil, nil)
		c.cosignedAt(c.signedRoots(c.tree.size) != nil)
		c.head()
	}
	return c.orphans(number)
}

// leafOf adds an entry to the tree and says what is wrong with its row.
func (c *check) leafOf(e store.EntryScan, next *store.EntryScan) entryRows {
	if e.Content == nil {
		return c.erasedLeaf(e)
	}
	computed := merkle.LeafHash(e.Salt, e.Content)
	kept, whole := split(e.Number, e.Nodes)
	content, readable := readEntry(e.Content)
	x := entryRows{number: e.Number, salt: e.Salt, entry: content, unreadable: !readable, leaves: []merkle.Hash{computed}}
	switch {
	case !whole:
		c.addEntry(e.Number, "the tree hashes that it keeps are not as many as it completes")
	case kept[0] != computed && c.contentHolds(e, computed, kept, next):
		c.addEntry(e.Number, "the leaf hash that it keeps is not that of its content, which the tree proves")
	case kept[0] != computed:
		x.altered = true
		c.addEntry(e.Number, "stored content is not what was logged: it or its salt was altered")
		x.leaves = []merkle.Hash{kept[0], computed}
	}
	if !x.altered {
		c.form(e, x)
	}
	var above []merkle.Hash
	if whole {
		above = kept[1:]
	}
	c.grow(e.Number, x.leaves, above)
	return x
}

// form says what is wrong with an entry whose content is what was logged.
func (c *check) form(e store.EntryScan, x entryRows) {
	if x.unreadable {
		c.addEntry(e.Number, "its content is no audit entry in canonical form")
		return
	}
	if words := entryColumns(e, x.entry); words != "" {
		c.addEntry(e.Number, words)
	}
}

// contentHolds reports whether the smallest subtree above a leaf has the hash that follows from the content, so that it is the kept leaf hash
// that was altered. That subtree's hash stands in the same row, in the next one, or in the head.
func (c *check) contentHolds(e store.EntryScan, computed merkle.Hash, kept []merkle.Hash, next *store.EntryScan) bool {
	if len(kept) > 1 {
		left := c.tree.edge[len(c.tree.edge)-1]
		return subtree{hashes: combine(left, subtree{hashes: []merkle.Hash{computed}})}.has(kept[1])
	}
	if next == nil {
		n := len(c.headEdge)
		return c.headSize == e.Number+1 && n >= merkle.HashSize && merkle.Hash(c.headEdge[n-merkle.HashSize:]) == computed
	}
	following, whole := split(next.Number, next.Nodes)
	return whole && next.Number == e.Number+1 && len(following) > 1 && merkle.NodeHash(computed, following[0]) == following[1]
}

// head compares the stored head when the tree has its size. Where a signed checkpoint has shown that entries are not those that were signed,
// the head differs for that reason and is not named.
func (c *check) head() {
	if c.noHead || c.broken || c.tree.size != c.headSize || c.tree.fits(c.headEdge) {
		return
	}
	c.add(tableHead, "", NoEntry, fmt.Sprintf("its edge is not that of the %d entries it stands for", c.headSize))
}

// finish checks what must hold at the end of the log.
func (c *check) finish() error {
	if err := c.failed(); err != nil {
		return err
	}
	if c.tree.size < c.from.Size {
		return fmt.Errorf("the log has only %d entries of %d: %w", c.tree.size, c.from.Size, ErrMark)
	}
	if c.tree.size == 0 {
		c.head()
	}
	switch {
	case c.noHead:
	case c.headSize < c.tree.size, c.headSize > c.tree.size && c.tree.fits(c.headEdge):
		c.add(tableHead, "", NoEntry, fmt.Sprintf("it says %d entries, and there are %d", c.headSize, c.tree.size))
	case c.headSize > c.tree.size:
		c.add(tableEntry, span(c.tree.size, c.headSize), c.tree.size, "missing: the head says that there are more")
	}
	c.notesBeyond()
	c.cosignedBeyond()
	for _, k := range c.known {
		if k.Size > c.tree.size {
			c.add(tableKnown, fmt.Sprintf("of size %d", k.Size), NoEntry, fmt.Sprintf("the log was cut: it now has %d entries", c.tree.size))
		}
	}
	if err := c.orphans(math.MaxInt64); err != nil {
		return err
	}
	c.tell()
	if err := c.failed(); err != nil {
		return err
	}
	return c.mark()
}

// span names the entries from one up to another that is not among them.
func span(from, to int64) string {
	if to-from == 1 {
		return fmt.Sprint(from)
	}
	return fmt.Sprintf("%d to %d", from, to-1)
}

func (c *check) tell() {
	if c.progress == nil {
		return
	}
	c.at.Entries, c.at.Total = c.report.Before+c.report.Entries, c.headSize
	c.progress(c.at)
}
