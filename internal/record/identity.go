package record

// The kinds of record of signing in. The id of a password, a second factor and a setup code is that of their identity.
const (
	KindIdentity     = "identity"
	KindPassword     = "password"
	KindSecondFactor = "second_factor"
	KindSetupCode    = "setup_code"
	// KindSpentProof is something that is good once and has been used: its id says what, and of whom.
	KindSpentProof = "spent_proof"
)

// The actions of signing in that are not simply KIND.put.
const (
	ActionSetupCodeIssue  = "setup_code.issue"
	ActionSetupCodeOpen   = "setup_code.open"
	ActionPasswordSet     = "password.set"
	ActionSecondFactorSet = "second_factor.set"
	ActionRecoveryRenew   = "recovery.renew"
	// ActionProofSpend: a code or an ID token was used up other than for a sign-in, whose entry is token.create.
	ActionProofSpend = "spent_proof.put"
	// ActionSignInLock: so many sign-ins failed that no more are taken for a while.
	ActionSignInLock = "sign_in.lock"
	// ActionTokenRotate made a successor of a token.
	ActionTokenRotate = "token.rotate"
)

// Secretive reports whether bodies of a kind hold what proves somebody's identity or what is made of it: no body of them is shown to anybody.
func Secretive(kind string) bool {
	switch kind {
	case KindPassword, KindSecondFactor, KindSetupCode, KindToken, KindWebhook:
		return true
	}
	return false
}

// Identity is one way of proving who one is. It is a member's (MemberID, in the member's clinic), a payer's (PayerID) or that of a person of the network
// (NetworkName with NetworkRoles); the last two have no ClinicID. One proof is set: Login, Issuer with Subject, or CertificateSHA256 (lower-case
// hexadecimal, over the certificate's DER form). Only Revoked ever changes.
type Identity struct {
	ID                string `json:"id"`
	ClinicID          string `json:"clinic_id,omitempty"`
	MemberID          string `json:"member_id,omitempty"`
	PayerID           string `json:"payer_id,omitempty"`
	NetworkName       string `json:"network_name,omitempty"`
	NetworkRoles      []Role `json:"network_roles,omitempty"`
	Login             string `json:"login,omitempty"`
	Issuer            string `json:"issuer,omitempty"`
	Subject           string `json:"subject,omitempty"`
	CertificateSHA256 string `json:"certificate_sha256,omitempty"`
	Revoked           bool   `json:"revoked,omitempty"`
}

// Password is what is stored of a password: its Argon2id hash (RFC 9106) in the PHC string format.
type Password struct {
	IdentityID string `json:"identity_id"`
	Hash       string `json:"hash"`
}

// Sealed is a secret as it is stored: encrypted with AES-256-GCM (NIST SP 800-38D) under the key of that id, with the id of its identity as
// associated data. Box is base64url without padding of nonce, text and tag.
type Sealed struct {
	KeyID string `json:"key_id"`
	Box   string `json:"box"`
}

// SecondFactor is the sealed secret of one-time codes (RFC 6238), and the hashes of the recovery codes; Set is the number of the set of recovery codes.
type SecondFactor struct {
	IdentityID string   `json:"identity_id"`
	Secret     Sealed   `json:"secret"`
	Set        int      `json:"set"`
	Recovery   []string `json:"recovery"`
}

// SetupCode lets its holder set up a login once, until it expires. Password and Secret are what the holder has chosen and been shown; they become good
// when the holder confirms, and the code is then Used.
type SetupCode struct {
	IdentityID string  `json:"identity_id"`
	CodeHash   string  `json:"code_hash"`
	ExpiresAt  Time    `json:"expires_at"`
	Password   string  `json:"password,omitempty"`
	Secret     *Sealed `json:"secret,omitempty"`
	Used       bool    `json:"used,omitempty"`
}

// SpentProof is one use of what is good once.
type SpentProof struct {
	// What is "step", "recovery" or "id-token".
	What       string `json:"what"`
	IdentityID string `json:"identity_id"`
}
