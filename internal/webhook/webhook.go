// Package webhook sends events to payers' systems in the open Standard Webhooks form (github.com/standard-webhooks/standard-webhooks, spec/standard-webhooks.md).
//
// What is sent holds ids alone. The address that it is sent to was given by somebody outside, so that the client refuses to be led: it speaks https only, to
// public addresses only, follows no redirect, takes no proxy, and reads no body. Errors are short codes that may be kept and shown.
package webhook

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/url"
	"strings"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"ponderal.example/internal/record"
)

const (
	// secretSize is the length of a signing secret in bytes: the standard asks for 24 to 64.
	secretSize   = 32
	secretPrefix = "whsec_"
	// maxURL is the longest address, in bytes.
	maxURL = 1000
)

// delays are how long after each failed try the next one is, as the standard's example retry schedule has it: ten tries over three days.
var delays = [record.EventAttempts - 1]time.Duration{5 * time.Second, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 5 * time.Hour, 10 * time.Hour,
	14 * time.Hour, 20 * time.Hour, 24 * time.Hour}

// Delay is how long to wait after the try of that number failed, from 1, with up to a tenth more, so that what failed together is not tried together. seed is
// any number that differs between events.
func Delay(attempt int, seed uint64) time.Duration {
	d := delays[min(max(attempt, 1), len(delays))-1]
	return d + time.Duration(rand.New(rand.NewPCG(seed, uint64(attempt))).Int64N(int64(d/10)))
}

// NewSecret makes a signing secret. random must be a cryptographic source.
func NewSecret(random io.Reader) (string, error) {
	raw := make([]byte, secretSize)
	if _, err := io.ReadFull(random, raw); err != nil {
		return "", fmt.Errorf("make signing secret: %w", err)
	}
	return secretPrefix + base64.StdEncoding.EncodeToString(raw), nil
}

// CheckURL says what is wrong with an address to which events are to be sent, empty where nothing is.
func CheckURL(text string) string {
	u, err := url.Parse(text)
	switch {
	case err != nil || len(text) > maxURL:
		return "the address is a URL of at most 1000 characters"
	case u.Scheme != "https" || u.Hostname() == "" || u.Opaque != "":
		return "the address is https with a host"
	case u.User != nil || u.Fragment != "" || strings.Contains(text, "#"):
		return "the address has neither user nor fragment"
	}
	return ""
}

// Event is what a payer is told: a new item of its feed, by ids. Supersedes is empty where the result supersedes none.
type Event struct {
	PayerID    string
	FeedNumber int64
	ResultID   string
	ClinicID   string
	Supersedes string
	At         time.Time
}

// ID is the same each time that the event is sent: the header `webhook-id`.
func (e Event) ID() string { return ID(e.PayerID, e.FeedNumber) }

// ID is the id of the event of a payer's feed item.
func ID(payerID string, feedNumber int64) string {
	return fmt.Sprintf("evt_%s_%d", payerID, feedNumber)
}

// body is what is sent.
type body struct {
	Type      string `json:"type"`
	Timestamp string `json:"timestamp"`
	Data      data   `json:"data"`
}

type data struct {
	FeedNumber int64  `json:"feed_number"`
	ResultID   string `json:"result_id"`
	ClinicID   string `json:"clinic_id"`
	Supersedes string `json:"supersedes,omitempty"`
}

// Body is the event as it is sent, the same bytes each time.
func (e Event) Body() ([]byte, error) {
	b := body{Type: record.EventReleased, Timestamp: e.At.UTC().Format(time.RFC3339Nano),
		Data: data{FeedNumber: e.FeedNumber, ResultID: e.ResultID, ClinicID: e.ClinicID, Supersedes: e.Supersedes}}
	if e.Supersedes != "" {
		b.Type = record.EventSuperseded
	}
	return json.Marshal(b)
}

// Sign makes the header `webhook-signature`: one signature for each secret, the newest first.
func Sign(id string, at time.Time, body []byte, secrets []string) (string, error) {
	var all []string
	for _, s := range secrets {
		w, err := standardwebhooks.NewWebhook(s)
		if err != nil {
			return "", errors.New("sign event: a secret is none")
		}
		signature, err := w.Sign(id, at, body)
		if err != nil {
			return "", errors.New("sign event: no signature")
		}
		all = append(all, signature)
	}
	if len(all) == 0 {
		return "", errors.New("sign event: there is no secret")
	}
	return strings.Join(all, " "), nil
}
