// Package auditlog appends to a clinic's audit log in the caller's transaction, and proves what is in it.
//
// An entry is one action. Its canonical JSON after a 32-byte salt is the data of one leaf of an RFC 6962 tree; each record that the
// action wrote stands in it with a digest. No change is stored without its entry: Commit writes both in one round trip.
package auditlog

import (
	"context"
	"errors"
	"io"
	"time"

	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

var errLater = errors.New("not built yet")

// Log appends to and proves the logs of every clinic. Safe for concurrent use.
type Log struct{}

// Options for New. Name is the first part of every log's origin: `Name/CLINIC`.
type Options struct {
	Name string
	Key  seal.Key
	Ring seal.Ring
	Now  func() time.Time
	Rand io.Reader
}

// New makes a Log; it refuses a key that is not for logs or not in the ring.
func New(o Options) (*Log, error) { return nil, errLater }

// Origin is the origin line and note key name of a clinic's log.
func (l *Log) Origin(clinicID string) string { return "" }

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
}

// Head is a taken head.
type Head struct {
	Size int64
	Edge []byte
}

// Commit stores the draft with its entry under the taken head and returns the entry. With sign, it also signs and stores the checkpoint
// of the new size, and fills in the path of each result.
func (l *Log) Commit(ctx context.Context, tx *store.Tx, h Head, d Draft, sign bool) (record.Entry, error) {
	return record.Entry{}, errLater
}

// Append takes the head and commits.
func (l *Log) Append(ctx context.Context, tx *store.Tx, d Draft, sign bool) (record.Entry, error) {
	return record.Entry{}, errLater
}

// Proof is an entry's proof against a signed head.
type Proof struct {
	Entry      []byte
	Salt       []byte
	Path       [][32]byte
	Checkpoint string
}

// Prove proves an entry against the signed head of the given size (0: of the log as it stands, signed now if it was not; it is stored only in
// a writing transaction).
func (l *Log) Prove(ctx context.Context, tx *store.Tx, clinicID string, number, size int64) (Proof, error) {
	return Proof{}, errLater
}

// Checkpoint returns the signed head of the log as it stands, signing it if no stored checkpoint has that size.
func (l *Log) Checkpoint(ctx context.Context, tx *store.Tx, clinicID string) (note string, size int64, root [32]byte, err error) {
	return "", 0, [32]byte{}, errLater
}
