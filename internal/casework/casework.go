// Package casework holds the use cases, each one transaction: what a caller may do with clients, protocols, sessions, findings and
// results, and what the audit log says of it.
package casework

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// Casework runs the use cases. Safe for concurrent use.
type Casework struct {
	store *store.Store
	log   *auditlog.Log
	key   seal.Signer
	ring  seal.Ring
	keys  []byte
	now   func() time.Time
	rand  io.Reader
	// signers is nil where signing has not been set up: nothing is then signed.
	signers SignerCheck
	// signIn is nil where nobody signs in.
	signIn *SignIn

	pushes gate
}

// Options for New. Rand is a cryptographic source and, like Now, safe for concurrent use.
type Options struct {
	Store *store.Store
	Log   *auditlog.Log
	// ResultKey signs results; it may be slow or fail, for it may be a key service. Ring is the published key set, which holds its public half.
	ResultKey seal.Signer
	Ring      seal.Ring
	Now       func() time.Time
	Rand      io.Reader
	// Signers asks a signer for the credential again. Without it nothing is signed.
	Signers SignerCheck
	// SignIn is what signing in needs; without it every sign-in is refused. With it, and a way to
	// prove who one is in it, signers are asked by it where Signers is nil.
	SignIn *SignIn
}

// New makes a Casework. It refuses a result key that cannot sign results, whose signatures the published keys do not verify, or that they
// mark retired or compromised.
func New(ctx context.Context, o Options) (*Casework, error) {
	if o.Store == nil || o.Log == nil || o.Now == nil || o.Rand == nil {
		return nil, errors.New("casework: store, log, clock and randomness are needed")
	}
	probe, err := seal.SignJWS(ctx, o.ResultKey, []byte("{}"))
	if err != nil {
		return nil, fmt.Errorf("casework: result key: %w", err)
	}
	if _, _, err := seal.VerifyJWS(o.Ring, probe); err != nil {
		return nil, fmt.Errorf("casework: result key is not in the published key set: %w", err)
	}
	if err := o.Ring.MaySign(o.ResultKey.Public().ID, seal.UseResult); err != nil {
		return nil, fmt.Errorf("casework: result key: %w", err)
	}
	keys, err := o.Ring.JWKS()
	if err != nil {
		return nil, fmt.Errorf("casework: %w", err)
	}
	if err := o.SignIn.check(); err != nil {
		return nil, err
	}
	c := &Casework{store: o.Store, log: o.Log, key: o.ResultKey, ring: o.Ring, keys: keys, now: o.Now, rand: o.Rand,
		signers: o.Signers, signIn: o.SignIn}
	if c.signers == nil && c.signIn.proves() {
		c.signers = c
	}
	return c, nil
}

// Keys returns the public key set, canonical JSON (RFC 7517).
func (c *Casework) Keys() []byte { return append([]byte(nil), c.keys...) }

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
	Already bool
	// Conflict is the id under which a session that was refused is kept; empty otherwise.
	Conflict string
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
	// Proof is the signer's credential, given again.
	Proof SignerProof
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
	// Countersigned are the second signatures; AwaitsCountersignature that one is needed before a payer is shown the result.
	Countersigned          []CountersignatureView
	AwaitsCountersignature bool
}

// Bundle is what a payer keeps: a signed result with its proof.
type Bundle struct {
	// Format is bundle.Format or bundle.Format2.
	Format string
	JWS    string
	// Enclosed are the raw trials, canonical JSON, that a result of bundle.Format2 commits to under the salt; both are empty where they are not shown.
	Enclosed     string
	EnclosedSalt []byte
	Proof        Proof
	// Countersigned are the second signatures with their proofs.
	Countersigned []CountersignatureView
}

// File is the bundle in the form that is kept in a file and verified offline.
func (b Bundle) File() bundle.Bundle {
	var second []bundle.Countersignature
	for _, v := range b.Countersigned {
		second = append(second, bundle.Countersignature{JWS: v.JWS, Entry: []byte(v.Proof.Entry), Salt: v.Proof.Salt, Path: v.Proof.Path,
			Checkpoint: v.Proof.Checkpoint})
	}
	return bundle.Bundle{Format: b.Format, Enclosed: []byte(b.Enclosed), EnclosedSalt: b.EnclosedSalt, Countersignatures: second, JWS: b.JWS, Entry: []byte(b.Proof.Entry), Salt: b.Proof.Salt, Path: b.Proof.Path, Checkpoint: b.Proof.Checkpoint}
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

// EntryView is an entry with the printed name of its actor. ErasedBy is the number of the entry that tells of its erasure, 0 where it is whole.
type EntryView struct {
	Entry     record.Entry
	ActorName string
	ErasedBy  int64
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
