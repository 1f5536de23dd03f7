package record

// LegalHold keeps the records of one client, or with an empty ClientID of every client of the clinic, from being erased until it is lifted.
type LegalHold struct {
	ID       string `json:"id"`
	ClinicID string `json:"clinic_id"`
	ClientID string `json:"client_id,omitempty"`
	Reason   string `json:"reason"`
	Lifted   bool   `json:"lifted,omitempty"`
}

// Erased is the body of a record that was erased on lawful demand. No record has it otherwise: each has at least an id.
const Erased = "{}"
