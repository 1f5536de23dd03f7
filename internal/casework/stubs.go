package casework

import (
	"context"
	"errors"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

var errLater = errors.New("not built yet")

// PutClinic stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutClinic(ctx context.Context, p authn.Principal, v record.Clinic, expected int) (record.Stored[record.Clinic], error) {
	return record.Stored[record.Clinic]{}, errLater
}

// PutPayer stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutPayer(ctx context.Context, p authn.Principal, v record.Payer, expected int) (record.Stored[record.Payer], error) {
	return record.Stored[record.Payer]{}, errLater
}

// PutMember stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutMember(ctx context.Context, p authn.Principal, v record.Member, expected int) (record.Stored[record.Member], error) {
	return record.Stored[record.Member]{}, errLater
}

// PutClient stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutClient(ctx context.Context, p authn.Principal, v record.Client, expected int) (record.Stored[record.Client], error) {
	return record.Stored[record.Client]{}, errLater
}

// PutReferral stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutReferral(ctx context.Context, p authn.Principal, v record.Referral, expected int) (record.Stored[record.Referral], error) {
	return record.Stored[record.Referral]{}, errLater
}

// PutJobProfile stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutJobProfile(ctx context.Context, p authn.Principal, v record.JobProfile, expected int) (record.Stored[record.JobProfile], error) {
	return record.Stored[record.JobProfile]{}, errLater
}

// PutRelease stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutRelease(ctx context.Context, p authn.Principal, v record.Release, expected int) (record.Stored[record.Release], error) {
	return record.Stored[record.Release]{}, errLater
}

// PutKit stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutKit(ctx context.Context, p authn.Principal, v record.Kit, expected int) (record.Stored[record.Kit], error) {
	return record.Stored[record.Kit]{}, errLater
}

// GetClinic returns the newest revision.
func (c *Casework) GetClinic(ctx context.Context, p authn.Principal, id string) (record.Stored[record.Clinic], error) {
	return record.Stored[record.Clinic]{}, errLater
}

// GetMember returns the newest revision.
func (c *Casework) GetMember(ctx context.Context, p authn.Principal, id string) (record.Stored[record.Member], error) {
	return record.Stored[record.Member]{}, errLater
}

// GetClient returns the newest revision.
func (c *Casework) GetClient(ctx context.Context, p authn.Principal, id string) (record.Stored[record.Client], error) {
	return record.Stored[record.Client]{}, errLater
}

// GetReferral returns the newest revision.
func (c *Casework) GetReferral(ctx context.Context, p authn.Principal, id string) (record.Stored[record.Referral], error) {
	return record.Stored[record.Referral]{}, errLater
}

// GetJobProfile returns the newest revision.
func (c *Casework) GetJobProfile(ctx context.Context, p authn.Principal, id string) (record.Stored[record.JobProfile], error) {
	return record.Stored[record.JobProfile]{}, errLater
}

// GetKit returns the newest revision.
func (c *Casework) GetKit(ctx context.Context, p authn.Principal, id string) (record.Stored[record.Kit], error) {
	return record.Stored[record.Kit]{}, errLater
}

// ListClinics returns one page.
func (c *Casework) ListClinics(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Clinic], error) {
	return record.List[record.Clinic]{}, errLater
}

// ListPayers returns one page.
func (c *Casework) ListPayers(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Payer], error) {
	return record.List[record.Payer]{}, errLater
}

// ListMembers returns one page.
func (c *Casework) ListMembers(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Member], error) {
	return record.List[record.Member]{}, errLater
}

// ListTokens returns one page.
func (c *Casework) ListTokens(ctx context.Context, p authn.Principal, page record.Page) (record.List[TokenView], error) {
	return record.List[TokenView]{}, errLater
}

// ListClients returns one page.
func (c *Casework) ListClients(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Client], error) {
	return record.List[record.Client]{}, errLater
}

// ListReferrals returns one page.
func (c *Casework) ListReferrals(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Referral], error) {
	return record.List[record.Referral]{}, errLater
}

// ListJobProfiles returns one page.
func (c *Casework) ListJobProfiles(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.JobProfile], error) {
	return record.List[record.JobProfile]{}, errLater
}

// ListReleases returns one page.
func (c *Casework) ListReleases(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Release], error) {
	return record.List[record.Release]{}, errLater
}

// ListKits returns one page.
func (c *Casework) ListKits(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Kit], error) {
	return record.List[record.Kit]{}, errLater
}

// ListProtocols returns one page.
func (c *Casework) ListProtocols(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.NamedProtocol], error) {
	return record.List[record.NamedProtocol]{}, errLater
}

// ListSessions returns one page.
func (c *Casework) ListSessions(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Session], error) {
	return record.List[record.Session]{}, errLater
}

// ListFindings returns one page.
func (c *Casework) ListFindings(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Finding], error) {
	return record.List[record.Finding]{}, errLater
}

// ListResults returns one page.
func (c *Casework) ListResults(ctx context.Context, p authn.Principal, page record.Page) (record.List[ResultView], error) {
	return record.List[ResultView]{}, errLater
}

// CreateToken makes a token and returns its secret, which is stored nowhere.
func (c *Casework) CreateToken(ctx context.Context, p authn.Principal, in NewToken) (record.Stored[TokenView], string, error) {
	return record.Stored[TokenView]{}, "", errLater
}

// RevokeToken ends a token at once; a token that is revoked stays so.
func (c *Casework) RevokeToken(ctx context.Context, p authn.Principal, id, reason string) (record.Stored[TokenView], error) {
	return record.Stored[TokenView]{}, errLater
}

// PublishProtocol stores a protocol under its digest, once.
func (c *Casework) PublishProtocol(ctx context.Context, p authn.Principal, v record.Protocol) (record.Stored[record.NamedProtocol], error) {
	return record.Stored[record.NamedProtocol]{}, errLater
}

// GetProtocol returns a published protocol.
func (c *Casework) GetProtocol(ctx context.Context, p authn.Principal, digest string) (record.Stored[record.NamedProtocol], error) {
	return record.Stored[record.NamedProtocol]{}, errLater
}

// PushSession stores a session whole or not at all, and scores it.
func (c *Casework) PushSession(ctx context.Context, p authn.Principal, s record.Session) (Pushed, error) {
	return Pushed{}, errLater
}

// GetSession returns a session; revision 0 is the newest.
func (c *Casework) GetSession(ctx context.Context, p authn.Principal, id string, revision int) (record.Stored[record.Session], error) {
	return record.Stored[record.Session]{}, errLater
}

// CorrectTrial stores a corrected trial and the new finding.
func (c *Casework) CorrectTrial(ctx context.Context, p authn.Principal, in Correction) (Corrected, error) {
	return Corrected{}, errLater
}

// GetFinding returns the finding of a session's revision; revision 0 is the newest.
func (c *Casework) GetFinding(ctx context.Context, p authn.Principal, sessionID string, revision int) (record.Stored[record.Finding], error) {
	return record.Stored[record.Finding]{}, errLater
}

// SignResult signs the newest finding of a session; in.Supersedes names the result that it replaces, if any.
func (c *Casework) SignResult(ctx context.Context, p authn.Principal, in Signing) (record.Stored[ResultView], error) {
	return record.Stored[ResultView]{}, errLater
}

// GetResult returns a result with its bundle. A payer gets it under a live release only, and the read is an audit entry.
func (c *Casework) GetResult(ctx context.Context, p authn.Principal, id string) (record.Stored[ResultView], error) {
	return record.Stored[ResultView]{}, errLater
}

// ListFeed returns what was released to the payer after the cursor; each page with results is an audit entry in every clinic it touches.
func (c *Casework) ListFeed(ctx context.Context, p authn.Principal, page record.Page) (Feed, error) {
	return Feed{}, errLater
}

// ListEntries returns entries of the clinic's log in order.
func (c *Casework) ListEntries(ctx context.Context, p authn.Principal, f EntryFilter, page record.Page) (EntryList, error) {
	return EntryList{}, errLater
}

// GetEntry returns one entry with its proof.
func (c *Casework) GetEntry(ctx context.Context, p authn.Principal, number int64) (EntryView, Proof, error) {
	return EntryView{}, Proof{}, errLater
}

// GetCheckpoint returns the signed head of the clinic's log as it stands now.
func (c *Casework) GetCheckpoint(ctx context.Context, p authn.Principal) (Checkpoint, error) {
	return Checkpoint{}, errLater
}

// GetScoreHistory returns every change of a session and its findings and results, oldest first.
func (c *Casework) GetScoreHistory(ctx context.Context, p authn.Principal, sessionID string) ([]ScoreChange, error) {
	return nil, errLater
}

// Keys returns the public key set, canonical JSON (RFC 7517).
func (c *Casework) Keys() []byte { return nil }
