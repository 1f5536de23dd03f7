package casework

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
	"ponderal.example/internal/webhook"
)

// The codes of events that ended without having been taken.
const (
	codeReleaseEnded   = "release ended"
	codeWebhookRevoked = "webhook revoked"
	codeInterrupted    = "interrupted"
	codeService        = "service"
)

// knownCodes are those that are shown as they are, beside `status N`.
var knownCodes = append(webhook.Codes(), codeReleaseEnded, codeWebhookRevoked, codeService)

// DeliveryState is what became of an event.
type DeliveryState string

// The states.
const (
	DeliveryWaiting   DeliveryState = "waiting"
	DeliveryDelivered DeliveryState = "delivered"
	DeliveryDiscarded DeliveryState = "discarded"
	DeliveryWithdrawn DeliveryState = "withdrawn"
)

// Delivery is an event with what became of it. Times that do not apply are zero.
type Delivery struct {
	ID                      string
	FeedNumber              int64
	ResultID, ClinicID      string
	State                   DeliveryState
	Attempts                int
	LastFailure             string
	LastAt, NextAt, EndedAt record.Time
}

// DeliveryList is a page of deliveries, newest first.
type DeliveryList struct {
	Items []Delivery
	Next  string
}

// Sender sends one event (webhook.Client). An error that is a *webhook.Refused is the receiver's.
type Sender interface {
	Send(ctx context.Context, url string, secrets []string, e webhook.Event) error
}

// Deliveries is the delivering of events; it is the service's own work, and no caller's.
type Deliveries struct {
	c      *Casework
	sender Sender
	logger *slog.Logger
}

// Delivering gives the delivering of events to the queue.
func (c *Casework) Delivering(sender Sender, logger *slog.Logger) Deliveries {
	return Deliveries{c, sender, logger}
}

// Deliver sends one event, if a live release lets the payer see the result at this moment; otherwise it is withdrawn. It is no disclosure: what is sent are ids,
// which a payer's feed shows of a result whose release has ended as well.
func (d Deliveries) Deliver(ctx context.Context, job store.WebhookJob) error {
	to, secrets, err := d.target(ctx, job.PayerID)
	if err == nil && to == "" {
		return &store.GiveUp{Reason: codeWebhookRevoked}
	}
	var shown bool
	if err == nil {
		shown, err = d.c.mayShow(ctx, job)
	}
	if err == nil && !shown {
		return &store.GiveUp{Reason: codeReleaseEnded}
	}
	if err == nil {
		err = d.sender.Send(ctx, to, secrets, webhook.Event{PayerID: job.PayerID, FeedNumber: job.FeedNumber, ResultID: job.ResultID, ClinicID: job.ClinicID,
			Supersedes: job.Supersedes, At: job.At})
	}
	var refused *webhook.Refused
	switch {
	case err == nil:
		return nil
	case errors.As(err, &refused) && refused.Gone:
		return &store.GiveUp{Reason: refused.Code}
	case errors.As(err, &refused):
		return refused
	}
	// The cause is for the log; what is kept with the event holds no more than a code.
	d.logger.WarnContext(ctx, "an event was not sent", "payer", job.PayerID, "feed_number", job.FeedNumber, "error", err)
	return errors.New(codeService)
}

// Again is when an event is tried again.
func (d Deliveries) Again(job store.WebhookJob, attempt int) time.Duration {
	h := fnv.New64a()
	_, _ = h.Write([]byte(webhook.ID(job.PayerID, job.FeedNumber)))
	return webhook.Delay(attempt, h.Sum64())
}

// target is where the payer's events go now, with the secrets that sign now, the newest first; empty where they go nowhere.
func (d Deliveries) target(ctx context.Context, payer string) (url string, secrets []string, err error) {
	err = d.c.store.ReadClinic(ctx, record.NetworkClinic, func(tx *store.Tx) error {
		url, secrets = "", nil
		rows, err := tx.WebhooksOfPayer(ctx, payer)
		if err != nil {
			return err
		}
		for _, row := range rows {
			w, err := read[record.Webhook](record.KindWebhook, row.Body)
			if err != nil {
				return err
			}
			if w.Revoked {
				continue
			}
			url = w.URL
			secrets, err = d.c.openSecrets(w)
			return err
		}
		return nil
	})
	return url, secrets, err
}

func (c *Casework) openSecrets(w record.Webhook) ([]string, error) {
	if c.signIn == nil {
		return nil, fault.New(fault.Precondition, "WEBHOOKS_NOT_SET_UP", "this service has no key that seals secrets")
	}
	var out []string
	for _, s := range w.Secrets {
		if s.Until != nil && !record.TimeOf(c.now()).Before(*s.Until) {
			continue
		}
		secret, err := c.signIn.Secrets.Open(w.ID, s.Sealed)
		if err != nil {
			return nil, err
		}
		out = append(out, string(secret))
	}
	return out, nil
}

// mayShow reports whether the payer may see the result now.
func (c *Casework) mayShow(ctx context.Context, job store.WebhookJob) (ok bool, err error) {
	err = c.store.ReadClinic(ctx, job.ClinicID, func(tx *store.Tx) error {
		ok = false
		row, err := tx.Result(ctx, job.ResultID)
		if fault.Is(err, fault.NotFound) {
			return nil
		}
		if err != nil {
			return err
		}
		item, err := c.listed(ctx, tx, row)
		if err != nil || item.Value.AwaitsCountersignature {
			return err
		}
		doc, _, err := c.open(row)
		if err != nil {
			return err
		}
		scope, err := scopeOf(ctx, tx, row, doc)
		if err != nil {
			return err
		}
		ok, err = c.released(ctx, tx, doc.Referral.ID, job.PayerID, scope)
		return err
	})
	return ok, err
}

// ListDeliveries returns one page of a payer's events, newest first.
func (c *Casework) ListDeliveries(ctx context.Context, p authn.Principal, payerID string, page record.Page) (DeliveryList, error) {
	var out DeliveryList
	if err := need(p, record.RolePayer, record.RoleNetworkAdmin, record.RoleNetworkAuditor); err != nil {
		return out, err
	}
	payer, err := payerFor(p, payerID, "payer_id")
	if err != nil {
		return out, err
	}
	size, err := sizeOf(page)
	if err != nil {
		return out, err
	}
	before, err := numberCursor(page.Cursor, math.MaxInt64)
	if err != nil {
		return out, err
	}
	rows, err := c.store.Deliveries(ctx, payer, before, size+1)
	if err != nil {
		return out, fmt.Errorf("list deliveries: %w", err)
	}
	if len(rows) > size {
		rows = rows[:size]
		out.Next = strconv.FormatInt(rows[size-1].Job.FeedNumber, 10)
	}
	for _, row := range rows {
		out.Items = append(out.Items, deliveryOf(row))
	}
	return out, nil
}

// deliveryOf puts the queue's words into ours.
func deliveryOf(row store.Delivery) Delivery {
	d := Delivery{ID: webhook.ID(row.Job.PayerID, row.Job.FeedNumber), FeedNumber: row.Job.FeedNumber, ResultID: row.Job.ResultID, ClinicID: row.Job.ClinicID,
		Attempts: row.Attempts, LastFailure: row.Failure}
	if !row.LastAt.IsZero() {
		d.LastAt = record.TimeOf(row.LastAt)
	}
	switch row.State {
	case "completed":
		d.State = DeliveryDelivered
	case "cancelled":
		d.State = DeliveryDiscarded
		if row.Failure == codeReleaseEnded || row.Failure == codeWebhookRevoked {
			d.State = DeliveryWithdrawn
		}
	case "discarded":
		d.State = DeliveryDiscarded
	default:
		d.State, d.NextAt = DeliveryWaiting, record.TimeOf(row.NextAt)
	}
	if d.State != DeliveryWaiting {
		d.EndedAt = record.TimeOf(row.EndedAt)
	}
	if d.LastFailure != "" && !slices.Contains(knownCodes, d.LastFailure) && !strings.HasPrefix(d.LastFailure, "status ") {
		// The queue's own words, of a job whose replica died or a program that failed, are not for payers.
		d.LastFailure = codeInterrupted
	}
	return d
}
