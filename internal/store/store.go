// Package store is the one place with SQL: clinic-bound transactions with retry, and SQLSTATE turned into error kinds.
//
// The service's role owns nothing, has SELECT and INSERT only, and sees the rows of the clinic that a transaction is bound to. A
// transaction is a closure: it may run more than once after a serialization failure, a deadlock or a lost connection whose
// statements were not sent, so it touches nothing but its Tx and its own results.
package store

import (
	"context"
	"errors"
	"time"
)

var errLater = errors.New("not built yet")

// Store holds the pool. Safe for concurrent use.
type Store struct{}

// Options for Open. URL may name several hosts with target_session_attrs.
type Options struct {
	URL      string
	MaxConns int32
}

// Open connects and refuses a role that could bypass the policies or change what is stored, and a schema other than this build's.
func Open(ctx context.Context, o Options) (*Store, error) { return nil, errLater }

// Close waits for the connections in use.
func (s *Store) Close() {}

// Ready answers when the pool does and the schema is this build's.
func (s *Store) Ready(ctx context.Context) error { return errLater }

// Row is one stored revision of a record.
type Row struct {
	ID       string
	Revision int
	Entry    int64
	At       time.Time
	Body     []byte
}

// TrialRow is one stored trial.
type TrialRow struct {
	Series, Number, Revision int
	Entry                    int64
	Body                     []byte
}

// ResultRow is one stored result; SupersededBy is empty while it stands. Newest is the newest revision of its session.
type ResultRow struct {
	ID              string
	Entry           int64
	At              time.Time
	SessionID       string
	SessionRevision int
	Newest          int
	Supersedes      string
	SupersededBy    string
	JWS             string
	Path            []byte
}

// EntryRow is one audit entry.
type EntryRow struct {
	Number   int64
	At       time.Time
	Action   string
	Subjects []string
	Content  []byte
	Salt     []byte
	Nodes    []byte
}

// FeedRow is one item of a payer's feed.
type FeedRow struct {
	PayerID  string
	Number   int64
	ClinicID string
	ResultID string
	Entry    int64
	Body     []byte
}

// TokenRow is a token with its revocation, as found by its id before any clinic is known.
type TokenRow struct {
	Token   []byte
	Revoked bool
}

// Tx is one transaction bound to one clinic.
type Tx struct{}

// InClinic runs fn in one read-committed transaction that sees and writes only the clinic's rows. It retries on serialization failure,
// deadlock and a connection lost before commit was sent. A cancelled ctx is never retried.
func (s *Store) InClinic(ctx context.Context, clinicID string, fn func(*Tx) error) error {
	return errLater
}

// ReadClinic runs fn in one read-only repeatable-read transaction that sees only the clinic's rows.
func (s *Store) ReadClinic(ctx context.Context, clinicID string, fn func(*Tx) error) error {
	return errLater
}

// ReadNetwork lists clinics ("clinic") or payers ("payer") of the network: the newest revision of each, by id, after the given one.
func (s *Store) ReadNetwork(ctx context.Context, kind, afterID string, limit int) ([]Row, error) {
	return nil, errLater
}

// FindToken returns the token with that id, or a NotFound fault.
func (s *Store) FindToken(ctx context.Context, id string) (TokenRow, error) {
	return TokenRow{}, errLater
}

// ReadFeed returns a payer's items after a number.
func (s *Store) ReadFeed(ctx context.Context, payerID string, after int64, limit int) ([]FeedRow, error) {
	return nil, errLater
}

// FindFeedItem returns the item of a payer for a result, or a NotFound fault.
func (s *Store) FindFeedItem(ctx context.Context, payerID, resultID string) (FeedRow, error) {
	return FeedRow{}, errLater
}

// Newest returns the newest revision of a record of a kind that is kept as whole documents, or a NotFound fault.
func (tx *Tx) Newest(ctx context.Context, kind, id string) (Row, error) { return Row{}, errLater }

// At returns one revision, or a NotFound fault.
func (tx *Tx) At(ctx context.Context, kind, id string, revision int) (Row, error) {
	return Row{}, errLater
}

// ListNewest returns the newest revision of each record by id, after the given one.
func (tx *Tx) ListNewest(ctx context.Context, kind, afterID string, limit int) ([]Row, error) {
	return nil, errLater
}

// ListByEntry returns revisions of sessions or findings in the order of writing, after the given entry.
func (tx *Tx) ListByEntry(ctx context.Context, kind string, afterEntry int64, limit int) ([]Row, error) {
	return nil, errLater
}

// Trials returns the trials of a session as they stood at a revision, by series and number.
func (tx *Tx) Trials(ctx context.Context, sessionID string, revision int) ([]TrialRow, error) {
	return nil, errLater
}

// Releases returns the newest revision of each release of a referral.
func (tx *Tx) Releases(ctx context.Context, referralID string) ([]Row, error) { return nil, errLater }

// Result returns one result, or a NotFound fault.
func (tx *Tx) Result(ctx context.Context, id string) (ResultRow, error) {
	return ResultRow{}, errLater
}

// ResultsOfSession returns the results of a session, oldest first.
func (tx *Tx) ResultsOfSession(ctx context.Context, sessionID string) ([]ResultRow, error) {
	return nil, errLater
}

// ResultsOfReferral returns the results of every session of a referral, oldest first.
func (tx *Tx) ResultsOfReferral(ctx context.Context, referralID string) ([]ResultRow, error) {
	return nil, errLater
}

// ListResults returns results in the order of signing, after the given entry.
func (tx *Tx) ListResults(ctx context.Context, afterEntry int64, limit int) ([]ResultRow, error) {
	return nil, errLater
}

// Entries returns entries in order after a number (-1 for all), filtered by action and subject where not empty.
func (tx *Tx) Entries(ctx context.Context, after int64, action, subject string, limit int) ([]EntryRow, error) {
	return nil, errLater
}

// Entry returns one entry, or a NotFound fault.
func (tx *Tx) Entry(ctx context.Context, number int64) (EntryRow, error) { return EntryRow{}, errLater }

// EntriesOfSession returns the entries that wrote revisions, findings or results of a session, and those that disclosed its results.
func (tx *Tx) EntriesOfSession(ctx context.Context, sessionID string) ([]EntryRow, error) {
	return nil, errLater
}

// Nodes returns the stored tree hashes of entries, by entry number.
func (tx *Tx) Nodes(ctx context.Context, entries []int64) (map[int64][]byte, error) {
	return nil, errLater
}

// Head returns the head without taking it.
func (tx *Tx) Head(ctx context.Context) (size int64, edge []byte, err error) {
	return 0, nil, errLater
}

// LockHead takes the head of the clinic's log until the transaction ends; NotFound when the clinic has no log.
func (tx *Tx) LockHead(ctx context.Context) (size int64, edge []byte, err error) {
	return 0, nil, errLater
}

// OpenLog opens the clinic's log if it is not open yet.
func (tx *Tx) OpenLog(ctx context.Context) error { return errLater }

// Checkpoint returns the stored note of that size; size 0 asks for the newest. NotFound when there is none.
func (tx *Tx) Checkpoint(ctx context.Context, size int64) (gotSize int64, note string, err error) {
	return 0, "", errLater
}

// NextFeedNumber takes the next number of a payer's feed until the transaction ends. Call it after LockHead.
func (tx *Tx) NextFeedNumber(ctx context.Context, payerID string) (int64, error) {
	return 0, errLater
}

// PushContext is all that a push reads, fetched in one round trip, the head lock included.
type PushContext struct {
	HeadSize  int64
	HeadEdge  []byte
	Session   *Row           // newest revision, nil when the session is new
	Trials    []TrialRow     // of revision 1 when the session exists
	First     *Row           // revision 1 when the session exists
	Referral  *Row           // newest
	Client    *Row           // newest, of the referral
	Job       *Row           // newest, of the referral
	Evaluator *Row           // newest
	Protocols map[string]Row // by digest
	Kits      map[string]Row // newest, by id
}

// PushKeys names what a push refers to.
type PushKeys struct {
	SessionID, ReferralID, EvaluatorID string
	Digests, KitIDs                    []string
}

// PushContext fetches what a push needs and takes the head.
func (tx *Tx) PushContext(ctx context.Context, k PushKeys) (PushContext, error) {
	return PushContext{}, errLater
}

// Write is everything that one action stores, sent in one round trip: the entry first, then the rows by arrays, one statement a table.
type Write struct {
	Entry    EntryRow
	Edge     []byte
	Docs     []DocRow
	Sessions []SessionRow
	Trials   []NewTrial
	Results  []NewResult
	Feed     []FeedRow
	// Checkpoint is stored when Note is not empty; its size is Entry.Number + 1.
	Note string
}

// DocRow is a new revision of a record kept as a whole document: every kind but session, trial, result and feed_item.
type DocRow struct {
	Kind, ID string
	Revision int
	Body     []byte
}

// SessionRow is a new revision of a session, without its trials.
type SessionRow struct {
	ID, ReferralID string
	Revision       int
	Body           []byte
}

// NewTrial is a new revision of a trial.
type NewTrial struct {
	SessionID                string
	Series, Number, Revision int
	Body                     []byte
}

// NewResult is a signed result.
type NewResult struct {
	ID, SessionID   string
	SessionRevision int
	Supersedes      string
	JWS             string
	Path            []byte
}

// Apply stores a Write. All rows get the entry's number.
func (tx *Tx) Apply(ctx context.Context, w Write) error { return errLater }
