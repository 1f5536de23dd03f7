package store

import "time"

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

// EntryRow is one audit entry. Content and Salt are nil where they were erased, and ErasedBy is then the number of the entry that tells of it; 0 for
// an entry that is whole.
type EntryRow struct {
	Number   int64
	At       time.Time
	Action   string
	Subjects []string
	Content  []byte
	Salt     []byte
	Nodes    []byte
	ErasedBy int64
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

// TokenRow is a token with the newest revision of its revocation, nil where there is none, as found by its id before any clinic is known.
type TokenRow struct {
	Token      []byte
	Revocation []byte
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

// NewResult is a signed result. Enclosed are the raw trials that the JWS commits to by digest, canonical JSON, with the salt of that digest; both are
// nil for a result that has its trials in it.
type NewResult struct {
	ID, SessionID   string
	SessionRevision int
	Supersedes      string
	JWS             string
	Path            []byte
	Enclosed        []byte
	EnclosedSalt    []byte
}
