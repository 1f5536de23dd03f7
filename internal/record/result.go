package record

// ResultFormat names the form of a signed result's payload that has the trials in it. New results have ResultFormat2.
const ResultFormat = "ponderal-result-1"

// ResultDocument is the payload of a signed result: all that is needed to read it and to run the engine again.
type ResultDocument struct {
	Format          string          `json:"format"`
	ID              string          `json:"id"`
	Clinic          ResultClinic    `json:"clinic"`
	Client          Client          `json:"client"`
	Person          Person          `json:"person"`
	Referral        Referral        `json:"referral"`
	PayerName       string          `json:"payer_name"`
	Session         Session         `json:"session"`
	SessionRevision int             `json:"session_revision"`
	Corrections     []Correction    `json:"corrections,omitempty"`
	Protocols       []NamedProtocol `json:"protocols"`
	Kits            []Kit           `json:"kits,omitempty"`
	Job             *JobProfile     `json:"job_profile,omitempty"`
	JobRevision     int             `json:"job_profile_revision,omitempty"`
	Finding         Finding         `json:"finding"`
	Decision        Outcome         `json:"decision,omitempty"`
	Comment         string          `json:"comment,omitempty"`
	Signature       Signature       `json:"signature"`
	Supersedes      string          `json:"supersedes,omitempty"`
	SupersedeReason string          `json:"supersede_reason,omitempty"`
	Cautions        []string        `json:"cautions"`
	// EnclosedDigest commits to the Enclosed of a result of format 2; empty in format 1, which has everything in it.
	EnclosedDigest string `json:"enclosed_digest,omitempty"`
	// CountersignatureNeeded: the clinic lets nobody be the only reviewer of what they measured, and the signer measured it.
	CountersignatureNeeded bool `json:"countersignature_needed,omitempty"`
}

// ResultClinic is the clinic as a result names it.
type ResultClinic struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// Person is what the engine needs of the client at the time of the session.
type Person struct {
	AgeYears int `json:"age_years"`
	Sex      Sex `json:"sex,omitempty"`
}

// NamedProtocol is a protocol with its digest, lower-case hex SHA-256 of its canonical JSON.
type NamedProtocol struct {
	Digest   string   `json:"digest"`
	Protocol Protocol `json:"protocol"`
}

// Correction is a trial, or another part of the session, that was corrected before this result was signed. Part names what is not a trial:
// screening, body, series_end, hand_series or position_series; Series is then the number of the series, where it is one.
type Correction struct {
	Series   int    `json:"series"`
	Trial    int    `json:"trial"`
	Part     string `json:"part,omitempty"`
	Revision int    `json:"revision"`
	At       Time   `json:"at"`
	By       string `json:"by"`
	Reason   string `json:"reason"`
}

// Signature is the electronic signature as it is printed: name, date and time, meaning.
type Signature struct {
	MemberID   string  `json:"member_id"`
	Name       string  `json:"name"`
	Credential string  `json:"credential,omitempty"`
	Role       Role    `json:"role"`
	At         Time    `json:"at"`
	Meaning    Meaning `json:"meaning"`
}

// FeedItem is one release in a payer's feed.
type FeedItem struct {
	PayerID  string `json:"payer_id"`
	Number   int64  `json:"number"`
	ClinicID string `json:"clinic_id"`
	ResultID string `json:"result_id"`
}
