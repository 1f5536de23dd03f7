package record

const (
	// KindSessionConflict is a session that came with the id of a stored one and other content.
	KindSessionConflict = "session_conflict"
	// ActionSessionConflict keeps one; ActionSessionResolve decides it.
	ActionSessionConflict = "session.conflict"
	ActionSessionResolve  = "session.resolve"
)

// SessionConflict is what came, kept beside what is stored. Its first revision is the arrival, its second the decision.
type SessionConflict struct {
	ID        string  `json:"id"`
	ClinicID  string  `json:"clinic_id"`
	SessionID string  `json:"session_id"`
	Incoming  Session `json:"incoming"`
	// StoredRevision was the session's newest when it came; SentBy who sent it.
	StoredRevision int              `json:"stored_revision"`
	SentBy         Actor            `json:"sent_by"`
	At             Time             `json:"at"`
	Decision       ConflictDecision `json:"decision,omitempty"`
	Reason         string           `json:"reason,omitempty"`
}

// ConflictDecision is what became of a conflict; empty while it is open.
type ConflictDecision string

// The decisions.
const (
	StoredStands  ConflictDecision = "stored_stands"
	IncomingTaken ConflictDecision = "incoming_taken"
)
