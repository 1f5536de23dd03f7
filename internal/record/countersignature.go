package record

// CountersignatureFormat names the form of a countersignature's payload.
const CountersignatureFormat = "ponderal-countersignature-1"

const (
	// KindCountersignature is a second signature over a result; its id is its own.
	KindCountersignature = "countersignature"
	// ActionResultCountersign adds one.
	ActionResultCountersign = "result.countersign"
)

// CountersignatureDocument is the payload of a countersignature. ResultDigest is the SHA-256 of the result's JWS, base64url without padding.
type CountersignatureDocument struct {
	Format       string    `json:"format"`
	ID           string    `json:"id"`
	ClinicID     string    `json:"clinic_id"`
	ResultID     string    `json:"result_id"`
	ResultDigest string    `json:"result_digest"`
	Signature    Signature `json:"signature"`
}

// Countersignature is one as it is stored: the signed text, and the result that it is over, by which it is found.
type Countersignature struct {
	ID       string `json:"id"`
	ResultID string `json:"result_id"`
	JWS      string `json:"jws"`
}
