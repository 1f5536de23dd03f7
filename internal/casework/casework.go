// Package casework holds the use cases, each one transaction: what a caller may do with clients, protocols, sessions, findings and
// results, and what the audit log says of it.
package casework

import (
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Casework runs the use cases.
type Casework struct{}

// TokenView is a token as it may be shown; RevokedAt is zero while it works.
type TokenView struct {
	Token     record.Token
	RevokedAt record.Time
}

// NewToken asks for a token. Exactly one of ClinicID (with or without MemberID) and PayerID is set; neither for a network token.
type NewToken struct {
	ClinicID  string
	PayerID   string
	MemberID  string
	Label     string
	Roles     []record.Role
	ExpiresAt record.Time
}

// Pushed is what became of a push. Already is true when the same session was there.
type Pushed struct {
	Already  bool
	Revision record.Revision
	Finding  record.Stored[record.Finding]
}

// Correction replaces one trial. Expected is the session's revision that the reviewer looked at.
type Correction struct {
	SessionID string
	Series    int
	Trial     record.Trial
	Expected  int
	Reason    string
}

// Corrected is a session after a correction, with what it changed in the finding.
type Corrected struct {
	Session     record.Stored[record.Session]
	Finding     record.Stored[record.Finding]
	Differences []record.Difference
}

// Signing asks for a signed result.
type Signing struct {
	SessionID       string
	ResultID        string
	SessionRevision int
	Meaning         record.Meaning
	Decision        record.Outcome
	Comment         string
	// Supersedes is the result to be replaced, with the reason; the session is then that result's.
	Supersedes      string
	SupersedeReason string
}

// ResultView is a result as it is shown. Bundle is nil in lists.
type ResultView struct {
	ID              string
	ClinicID        string
	SessionID       string
	SessionRevision int
	Signature       record.Signature
	Decision        record.Outcome
	KeyID           string
	Supersedes      string
	SupersededBy    string
	Outdated        bool
	Bundle          *Bundle
}

// Bundle is what a payer keeps: a signed result with its proof.
type Bundle struct {
	JWS   string
	Proof Proof
}

// Proof proves an entry: its canonical JSON, salt, inclusion path from the leaf up, and the signed note of the tree's head.
type Proof struct {
	Entry      string
	Salt       []byte
	Path       [][32]byte
	Checkpoint string
}

// Feed is one page of a payer's feed. Next is the place after the last item, never empty.
type Feed struct {
	Items []FeedItem
	Next  string
	More  bool
}

// FeedItem is a released result, or only its id when the authorization has ended.
type FeedItem struct {
	Number   int64
	Result   record.Stored[ResultView]
	Withheld bool
}

// EntryFilter narrows a list of entries; empty members do not.
type EntryFilter struct {
	Action  string
	Subject string
}

// EntryView is an entry with the printed name of its actor.
type EntryView struct {
	Entry     record.Entry
	ActorName string
}

// EntryList is a page of entries.
type EntryList struct {
	Items []EntryView
	Next  string
}

// Checkpoint is a signed tree head.
type Checkpoint struct {
	Note string
	Size int64
	Root [32]byte
}

// ScoreChange is one step in the life of a score.
type ScoreChange struct {
	Entry           EntryView
	SessionRevision int
	Measured        []record.Difference
	Computed        []record.Difference
	ResultID        string
	Proof           Proof
	// Line says the step in plain words, with masses in the clinic's display unit.
	Line string
}

// DisplayUnit is what masses are shown in where a clinic has not chosen.
const DisplayUnit = mass.Pound
