package record

// NetworkClinic is the id under which the network keeps its own records and its own log.
const NetworkClinic = "00000000-0000-0000-0000-000000000000"

// Entry is one action in a clinic's audit log. Its canonical JSON, after a 32-byte salt, is the data of one Merkle leaf.
type Entry struct {
	ClinicID string    `json:"clinic_id"`
	Number   int64     `json:"number"`
	At       Time      `json:"at"`
	Action   string    `json:"action"`
	Actor    Actor     `json:"actor"`
	Reason   string    `json:"reason,omitempty"`
	Subjects []string  `json:"subjects,omitempty"`
	Records  []Written `json:"records,omitempty"`
	// Disclosed are the results that were shown to a payer; Erased the numbers of the entries whose content an erasure took, and Remains for each
	// the digest of what stays of it and of its rows: their keys, and when it was done.
	Disclosed []Disclosed `json:"disclosed,omitempty"`
	Erased    []int64     `json:"erased,omitempty"`
	Remains   []string    `json:"remains,omitempty"`
}

// Disclosed is one result as it was shown to a payer: under which release, and whether with its raw trials.
type Disclosed struct {
	ResultID  string `json:"result_id"`
	ReleaseID string `json:"release_id"`
	RawTrials bool   `json:"raw_trials,omitempty"`
}

// Actor is who did it. TokenID is empty for an operator at the machine's console.
type Actor struct {
	TokenID   string `json:"token_id,omitempty"`
	MemberID  string `json:"member_id,omitempty"`
	Label     string `json:"label,omitempty"`
	Role      Role   `json:"role,omitempty"`
	App       string `json:"app,omitempty"`
	RequestID string `json:"request_id,omitempty"`
}

// Written is one record that an entry wrote: Digest is the SHA-256 of the entry's salt and the record's stored body, base64url
// without padding. A session's trials that were written with it stand in Trials.
type Written struct {
	Kind     string          `json:"kind"`
	ID       string          `json:"id"`
	Revision int             `json:"revision"`
	Digest   string          `json:"digest"`
	Trials   []WrittenTrials `json:"trials,omitempty"`
}

// WrittenTrials are the digests of consecutive trials of one series, from number First on: 32 bytes each, joined, base64url
// without padding.
type WrittenTrials struct {
	Series  int    `json:"series"`
	First   int    `json:"first"`
	Digests string `json:"digests"`
}

// The kinds of record.
const (
	KindClinic          = "clinic"
	KindPayer           = "payer"
	KindMember          = "member"
	KindToken           = "token"
	KindTokenRevocation = "token_revocation"
	KindClient          = "client"
	KindReferral        = "referral"
	KindJobProfile      = "job_profile"
	KindRelease         = "release"
	KindKit             = "kit"
	KindProtocol        = "protocol"
	KindSession         = "session"
	KindTrial           = "trial"
	KindFinding         = "finding"
	KindResult          = "result"
	KindFeedItem        = "feed_item"
	KindLegalHold       = "legal_hold"
)

// The actions that are not simply KIND.put.
const (
	ActionSessionPush     = "session.push"
	ActionTrialCorrect    = "trial.correct"
	ActionSessionCorrect  = "session.correct"
	ActionSessionRescore  = "session.rescore"
	ActionResultSign      = "result.sign"
	ActionResultSupersede = "result.supersede"
	ActionResultDisclose  = "result.disclose"
	ActionProtocolPublish = "protocol.publish"
	ActionTokenCreate     = "token.create"
	ActionTokenRevoke     = "token.revoke"
	ActionClientErase     = "client.erase"
)
