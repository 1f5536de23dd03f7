package record

const (
	// KindWebhook is where a payer's events are sent, in the network's own records.
	KindWebhook = "webhook"
	// ActionWebhookRotate gave a webhook a new signing secret.
	ActionWebhookRotate = "webhook.rotate"
)

// Webhook is where a payer is told of new items of its feed, in the open Standard Webhooks form. Of the payer's webhooks at most one is not revoked.
// Secrets sign what is sent, the newest first; they are sealed and shown to nobody.
type Webhook struct {
	ID      string          `json:"id"`
	PayerID string          `json:"payer_id"`
	URL     string          `json:"url"`
	Revoked bool            `json:"revoked,omitempty"`
	Secrets []WebhookSecret `json:"secrets"`
}

// WebhookSecret is a signing secret at rest. Until is when a former one signs no more; zero for the newest.
type WebhookSecret struct {
	Sealed Sealed `json:"sealed"`
	Until  *Time  `json:"until,omitempty"`
}

// EventAttempts is how often an event is tried before it is given up.
const EventAttempts = 10

// The types of the events that payers are sent.
const (
	// EventReleased: a result stands in the payer's feed that supersedes none.
	EventReleased = "result.released"
	// EventSuperseded: a result stands in the payer's feed that supersedes another.
	EventSuperseded = "result.superseded"
)
