// Package auditlog appends to a clinic's audit log in the caller's transaction, and proves what is in it.
//
// An entry is one action. Its canonical JSON after a 32-byte salt is the data of one leaf of an RFC 6962 tree; each record that the
// action wrote stands in it with a digest. No change is stored without its entry: Commit writes both in one round trip.
package auditlog

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// saltSize is the length of an entry's salt in bytes.
const saltSize = 32

// Log appends to and proves the logs of every clinic. Safe for concurrent use.
type Log struct {
	name string
	key  seal.Signer
	ring seal.Ring
	now  func() time.Time

	randMu sync.Mutex // guards rand, which need not be safe for concurrent use
	rand   io.Reader
}

// Options for New. Name is the first part of every log's origin: `Name/CLINIC`. Rand must be a cryptographic source.
// Key signs checkpoints; it may be slow or fail, for it may be a key service. Ring is the published key set, which holds its public half.
type Options struct {
	Name string
	Key  seal.Signer
	Ring seal.Ring
	Now  func() time.Time
	Rand io.Reader
}

// New makes a Log; it refuses a key that is not for logs, not in the ring, or there marked retired or compromised, and a name that no
// note can carry.
func New(ctx context.Context, o Options) (*Log, error) {
	if o.Now == nil || o.Rand == nil {
		return nil, fault.New(fault.Internal, "LOG_OPTIONS", "the audit log needs a clock and a source of randomness")
	}
	if o.Key == nil {
		return nil, fault.New(fault.Internal, "LOG_OPTIONS", "the audit log needs a key")
	}
	if err := o.Ring.MaySign(o.Key.Public().ID, seal.UseLog); err != nil {
		return nil, fault.Wrap(fault.Internal, "LOG_KEY", "the audit log's key is not a log key in use of the key set", err)
	}
	l := &Log{name: o.Name, key: o.Key, ring: o.Ring, now: o.Now, rand: o.Rand}
	if _, err := l.sign(ctx, record.NetworkClinic, merkle.Edge{}); err != nil {
		return nil, fault.Wrap(fault.Internal, "LOG_KEY", "the audit log's name and key cannot sign a checkpoint", err)
	}
	return l, nil
}

// Origin is the origin line and note key name of a clinic's log.
func (l *Log) Origin(clinicID string) string { return l.name + "/" + clinicID }

// Draft is an action about to be stored. The digests, the number and the time are filled in by Commit.
type Draft struct {
	ClinicID string
	Action   string
	Actor    record.Actor
	Reason   string
	Subjects []string
	Docs     []store.DocRow
	Sessions []store.SessionRow
	Trials   []store.NewTrial
	Results  []store.NewResult
	Feed     []store.FeedRow
	// Disclosed are the results that the action shows to a payer.
	Disclosed []record.Disclosed
	// Last says that nothing follows the drafts of the transaction: it is committed in the same round trip.
	Last bool
}

// Head is a taken head.
type Head struct {
	Size int64
	Edge []byte
}

// Append takes the head and commits.
func (l *Log) Append(ctx context.Context, tx *store.Tx, d Draft, sign bool) (record.Entry, error) {
	size, edge, err := tx.LockHead(ctx)
	if err != nil {
		return record.Entry{}, fmt.Errorf("append to log: %w", err)
	}
	return l.Commit(ctx, tx, Head{Size: size, Edge: edge}, d, sign)
}

// Commit stores the draft with its entry under the taken head and returns the entry. With sign, it also signs and stores the checkpoint
// of the new size, and fills in the path of each result. The transaction must be bound to the draft's clinic.
func (l *Log) Commit(ctx context.Context, tx *store.Tx, h Head, d Draft, sign bool) (record.Entry, error) {
	entries, err := l.commit(ctx, tx, h, []Draft{d}, sign)
	if err != nil {
		return record.Entry{}, err
	}
	return entries[0], nil
}

// CommitAll is Commit without signing for several drafts of one clinic, each with an entry of its own, in one round trip. The entries
// follow one another in the order of the drafts. All are stored or none.
func (l *Log) CommitAll(ctx context.Context, tx *store.Tx, h Head, ds []Draft) ([]record.Entry, error) {
	return l.commit(ctx, tx, h, ds, false)
}

func (l *Log) commit(ctx context.Context, tx *store.Tx, h Head, ds []Draft, sign bool) ([]record.Entry, error) {
	entries, writes := make([]record.Entry, len(ds)), make([]store.Write, len(ds))
	last := false
	for i, d := range ds {
		if bound := tx.ClinicID(); bound != d.ClinicID {
			return nil, fault.New(fault.Internal, "LOG_CLINIC", "an internal error; nothing was stored")
		}
		var err error
		if writes[i], entries[i], err = l.prepare(ctx, h, d, sign); err != nil {
			return nil, fmt.Errorf("prepare entry: %w", err)
		}
		h = Head{Size: h.Size + 1, Edge: writes[i].Edge}
		last = last || d.Last
	}
	apply := tx.Apply
	if last {
		apply = tx.ApplyAndCommit
	}
	if err := apply(ctx, writes...); err != nil {
		return nil, fmt.Errorf("store entries up to %d: %w", h.Size-1, err)
	}
	return entries, nil
}

// prepare makes everything that Commit stores; only randomness, the clock and signatures come from outside.
func (l *Log) prepare(ctx context.Context, h Head, d Draft, sign bool) (store.Write, record.Entry, error) {
	before, err := merkle.ParseEdge(h.Size, h.Edge)
	if err != nil {
		return store.Write{}, record.Entry{}, fault.Wrap(fault.Internal, "LOG_HEAD", "the audit log's head is damaged; nothing was stored", err)
	}
	salt, err := l.salt()
	if err != nil {
		return store.Write{}, record.Entry{}, err
	}
	entry := entryOf(d, h.Size, record.TimeOf(l.now()), salt)
	if covered(entry) != len(d.Trials) {
		return store.Write{}, record.Entry{}, fault.New(fault.Internal, "TRIAL_WITHOUT_SESSION", "an internal error; nothing was stored")
	}
	content, err := encode(entry)
	if err != nil {
		return store.Write{}, record.Entry{}, fault.Wrap(fault.Invalid, "ENTRY_TEXT", "the action holds text that cannot be recorded; nothing was stored", err)
	}
	after := before.Clone()
	nodes, err := after.Append(merkle.LeafHash(salt, content))
	if err != nil {
		return store.Write{}, record.Entry{}, fault.Wrap(fault.Internal, "LOG_FULL", "the audit log is full; nothing was stored", err)
	}
	edge, err := after.MarshalBinary()
	if err != nil {
		return store.Write{}, record.Entry{}, fault.Wrap(fault.Internal, "LOG_HEAD", "an internal error; nothing was stored", err)
	}
	w := store.Write{
		Entry: store.EntryRow{Number: h.Size, At: entry.At.Std(), Action: d.Action, Subjects: d.Subjects, Content: content, Salt: salt,
			Nodes: merkle.JoinNodes(nodes)},
		Edge: edge, Docs: d.Docs, Sessions: d.Sessions, Trials: d.Trials, Results: d.Results, Feed: d.Feed,
	}
	if sign {
		err = l.seal(ctx, &w, d.ClinicID, before, after)
	}
	return w, entry, err
}

// seal adds the signed checkpoint of the new tree, and the path of the new leaf to each result, whose record must not be shared with the draft.
func (l *Log) seal(ctx context.Context, w *store.Write, clinicID string, before, after merkle.Edge) error {
	note, err := l.sign(ctx, clinicID, after)
	if err != nil {
		return signFault(ctx, err)
	}
	w.Note = note
	path := merkle.JoinNodes(merkle.LastLeafProof(before))
	results := make([]store.NewResult, len(w.Results))
	for i, r := range w.Results {
		r.Path = path
		results[i] = r
	}
	w.Results = results
	return nil
}

// sign signs the head of a tree, and verifies what it signed as a reader would.
func (l *Log) sign(ctx context.Context, clinicID string, tree merkle.Edge) (string, error) {
	origin, size, root := l.Origin(clinicID), tree.Size(), tree.Root()
	note, err := seal.SignCheckpoint(ctx, l.key, origin, size, root)
	if err != nil {
		return "", fmt.Errorf("sign checkpoint: %w", err)
	}
	c, err := seal.VerifyCheckpoint(l.ring, origin, note)
	if err != nil {
		return "", fmt.Errorf("verify own checkpoint: %w", err)
	}
	if c.Size != size || c.Root != root {
		return "", fmt.Errorf("verify own checkpoint: %w", seal.ErrMalformed)
	}
	return note, nil
}

// signFault tells a signer that cannot be reached now from one that must not be relied on.
func signFault(ctx context.Context, err error) error {
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("sign checkpoint: %w", ctx.Err())
	case errors.Is(err, seal.ErrSigner):
		return fault.Wrap(fault.Unavailable, "SIGNER_UNAVAILABLE", "the checkpoint could not be signed now; nothing was stored; try again", err)
	}
	return fault.Wrap(fault.Internal, "CHECKPOINT", "the checkpoint could not be signed; nothing was stored", err)
}

func (l *Log) salt() ([]byte, error) {
	l.randMu.Lock()
	defer l.randMu.Unlock()
	salt := make([]byte, saltSize)
	if _, err := io.ReadFull(l.rand, salt); err != nil {
		return nil, fault.Wrap(fault.Internal, "RANDOMNESS", "no randomness for the audit entry; nothing was stored", err)
	}
	return salt, nil
}
