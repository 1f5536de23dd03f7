package record

import (
	"time"

	"ponderal.example/internal/mass"
)

// Clinic is one place of the network. DisplayUnit is the unit in which its people read masses.
type Clinic struct {
	ID          string    `json:"id"`
	Name        string    `json:"name"`
	DisplayUnit mass.Unit `json:"display_unit"`
	// RetentionDays is how long after a client's last session the client's records are kept at least; 0 where no rule keeps them.
	RetentionDays int `json:"retention_days,omitempty"`
	// IndependentReview: a result that the session's evaluator signed is shown to payers once another reviewer has countersigned it.
	IndependentReview bool `json:"independent_review,omitempty"`
}

// Payer is an insurer whose system pulls released results.
type Payer struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// Member is a person who works at a clinic.
type Member struct {
	ID         string `json:"id"`
	ClinicID   string `json:"clinic_id"`
	Name       string `json:"name"`
	Credential string `json:"credential,omitempty"`
	Roles      []Role `json:"roles,omitempty"`
	Left       bool   `json:"left,omitempty"`
}

// Token is what is stored of an opaque token: never its secret, only the hash (lower-case hex SHA-256).
type Token struct {
	ID         string `json:"id"`
	ClinicID   string `json:"clinic_id,omitempty"`
	PayerID    string `json:"payer_id,omitempty"`
	MemberID   string `json:"member_id,omitempty"`
	Label      string `json:"label"`
	Roles      []Role `json:"roles"`
	ExpiresAt  Time   `json:"expires_at"`
	SecretHash string `json:"secret_hash"`
	// IdentityID is what signed in for the token, TwoFactors that it was with two factors, RotatedFrom the token that it succeeds.
	IdentityID  string `json:"identity_id,omitempty"`
	TwoFactors  bool   `json:"two_factors,omitempty"`
	RotatedFrom string `json:"rotated_from,omitempty"`
}

// TokenRevocation ends a token. It has ended whatever a clock says, unless SuccessorID names the token that succeeds it: then it goes on until
// RevokedAt. Of several revisions the newest counts.
type TokenRevocation struct {
	TokenID     string `json:"token_id"`
	RevokedAt   Time   `json:"revoked_at"`
	Reason      string `json:"reason"`
	SuccessorID string `json:"successor_id,omitempty"`
}

// Ended reports whether the token has ended: at RevokedAt, not after it, where it has a successor.
func (r TokenRevocation) Ended(now time.Time) bool {
	return r.SuccessorID == "" || !now.Before(r.RevokedAt.Std())
}

// Client is the person evaluated; BirthDate is a calendar date YYYY-MM-DD.
type Client struct {
	ID         string `json:"id"`
	ClinicID   string `json:"clinic_id"`
	GivenName  string `json:"given_name"`
	FamilyName string `json:"family_name"`
	BirthDate  string `json:"birth_date"`
	Sex        Sex    `json:"sex,omitempty"`
}

// Referral is why the client comes.
type Referral struct {
	ID           string `json:"id"`
	ClinicID     string `json:"clinic_id"`
	ClientID     string `json:"client_id"`
	PayerID      string `json:"payer_id"`
	ClaimNumber  string `json:"claim_number"`
	Question     string `json:"question,omitempty"`
	JobProfileID string `json:"job_profile_id,omitempty"`
}

// JobProfile is the target job as tasks.
type JobProfile struct {
	ID       string    `json:"id"`
	ClinicID string    `json:"clinic_id"`
	Title    string    `json:"title"`
	Tasks    []JobTask `json:"tasks"`
	// Positions and Hands came later and are left out where there are none.
	Positions []PositionDemand `json:"positions,omitempty"`
	Hands     []HandDemand     `json:"hands,omitempty"`
}

// JobTask is one demand of a job.
type JobTask struct {
	Name string    `json:"name"`
	Zone Zone      `json:"zone"`
	Pace Pace      `json:"pace"`
	Load mass.Mass `json:"load"`
}

// Release is the client's authorization for one payer to see the results of one referral.
type Release struct {
	ID         string `json:"id"`
	ClinicID   string `json:"clinic_id"`
	ReferralID string `json:"referral_id"`
	PayerID    string `json:"payer_id"`
	Purpose    string `json:"purpose"`
	ExpiresAt  Time   `json:"expires_at"`
	Revoked    bool   `json:"revoked,omitempty"`
	// ResultIDs are the results that may be seen, none for all of the referral; RawTrials says that the raw trials may be seen too.
	ResultIDs []string `json:"result_ids,omitempty"`
	RawTrials bool     `json:"raw_trials,omitempty"`
}
