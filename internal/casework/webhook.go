package casework

import (
	"context"
	"fmt"
	"time"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
	"ponderal.example/internal/webhook"
)

// webhookOverlap is how long a former signing secret signs beside the newest.
const webhookOverlap = 24 * time.Hour

// WebhookPut is a webhook that was stored; Secret is its signing secret where one was made, and is stored sealed only.
type WebhookPut struct {
	Webhook record.Stored[record.Webhook]
	Secret  string
}

// payerFor is the payer that a call is about: its own for a payer's system, the named one for the network.
func payerFor(p authn.Principal, given, field string) (string, error) {
	switch {
	case p.PayerID != "" && given != "" && given != p.PayerID:
		return "", fault.New(fault.Denied, "OTHER_PAYER", "the payer is another than the credential's")
	case p.PayerID != "":
		return p.PayerID, nil
	case !p.Network:
		return "", fault.New(fault.Denied, "PAYER_ONLY", "webhooks are for payers and the network")
	case given == "":
		return "", invalid(field, "payer.named", "a credential of the network names the payer")
	}
	return given, nil
}

// PutWebhook stores where a payer's events are sent: for the payer's own system, or for an administrator of the network. A payer has at most one webhook that
// is not revoked. rotate makes a new secret; the former one signs beside it for a day. The same content again changes nothing. v.Secrets is left aside.
func (c *Casework) PutWebhook(ctx context.Context, p authn.Principal, v record.Webhook, expected int, rotate bool) (WebhookPut, error) {
	if err := need(p, record.RolePayer, record.RoleNetworkAdmin); err != nil {
		return WebhookPut{}, err
	}
	var err error
	if v.PayerID, err = payerFor(p, v.PayerID, "webhook.payer_id"); err != nil {
		return WebhookPut{}, err
	}
	if wrong := webhook.CheckURL(v.URL); wrong != "" {
		return WebhookPut{}, invalid("webhook.url", "webhook.url", wrong)
	}
	if c.signIn == nil || !c.signIn.Secrets.Any() {
		return WebhookPut{}, fault.New(fault.Precondition, "WEBHOOKS_NOT_SET_UP", "this service has no key that seals secrets, so it signs no events; its operator has to set one up")
	}
	var done WebhookPut
	err = c.write(ctx, record.NetworkClinic, func(tx *store.Tx, head auditlog.Head) error {
		done, err = c.putWebhook(ctx, tx, head, p, v, expected, rotate)
		return err
	})
	if err != nil {
		return WebhookPut{}, fmt.Errorf("put webhook: %w", err)
	}
	return done, nil
}

func (c *Casework) putWebhook(ctx context.Context, tx *store.Tx, head auditlog.Head, p authn.Principal, v record.Webhook, expected int, rotate bool) (WebhookPut, error) {
	row, err := newestOrNil(ctx, tx, record.KindWebhook, v.ID)
	if err != nil {
		return WebhookPut{}, err
	}
	var was record.Stored[record.Webhook]
	if row != nil {
		if was, err = storedOf[record.Webhook](record.KindWebhook, *row); err != nil {
			return WebhookPut{}, err
		}
		if was.Value.PayerID == v.PayerID && was.Value.URL == v.URL && was.Value.Revoked == v.Revoked && !rotate {
			return WebhookPut{Webhook: was}, nil
		}
	}
	if was.Revision.Number != expected {
		return WebhookPut{}, revisionConflict(was.Revision.Number, nil)
	}
	wrong, err := checkWebhook(ctx, tx, v, was.Value.PayerID)
	if err == nil {
		err = fault.InvalidFields(wrong)
	}
	if err != nil {
		return WebhookPut{}, err
	}
	secret, action := "", record.KindWebhook+".put"
	v.Secrets = was.Value.Secrets
	if row == nil || rotate {
		if v.Secrets, secret, err = c.newSecret(v.ID, was.Value.Secrets); err != nil {
			return WebhookPut{}, err
		}
	}
	if row != nil && rotate {
		action = record.ActionWebhookRotate
	}
	docs, err := docRows(newDoc{record.KindWebhook, v.ID, expected + 1, v})
	if err != nil {
		return WebhookPut{}, err
	}
	entry, err := c.log.Commit(ctx, tx, head, auditlog.Draft{ClinicID: record.NetworkClinic, Action: action, Actor: p.Actor(),
		Subjects: []string{subject(record.KindWebhook, v.ID), subject(record.KindPayer, v.PayerID)}, Docs: docs, Last: true}, false)
	return WebhookPut{Webhook: record.Stored[record.Webhook]{Value: v, Revision: revisionOf(expected+1, entry)}, Secret: secret}, err
}

// checkWebhook holds a webhook against what is stored, under the head of the network's log, so that no two are live at once.
func checkWebhook(ctx context.Context, tx *store.Tx, v record.Webhook, payerWas string) ([]fault.Violation, error) {
	wrong, err := broken(ctx, tx, exists{record.KindPayer, v.PayerID, "webhook.payer_id", "the payer is one of the network's"})
	if err != nil {
		return nil, err
	}
	if payerWas != "" && payerWas != v.PayerID {
		wrong = append(wrong, fault.Violation{Field: "webhook.id", Rule: "webhook.payer", Text: "a webhook stays its payer's; make another one"})
	}
	if v.Revoked {
		return wrong, nil
	}
	rows, err := tx.WebhooksOfPayer(ctx, v.PayerID)
	if err != nil {
		return nil, err
	}
	for _, row := range rows {
		w, err := read[record.Webhook](record.KindWebhook, row.Body)
		if err != nil {
			return nil, err
		}
		if w.ID != v.ID && !w.Revoked {
			wrong = append(wrong, fault.Violation{Field: "webhook.id", Rule: "webhook.one", Text: "the payer has a webhook that is not revoked; change or revoke that one"})
		}
	}
	return wrong, nil
}

// newSecret makes a signing secret, with the one before as the former for the overlap. The id of the webhook is the associated data of what is sealed.
func (c *Casework) newSecret(id string, before []record.WebhookSecret) ([]record.WebhookSecret, string, error) {
	secret, err := webhook.NewSecret(c.rand)
	if err != nil {
		return nil, "", err
	}
	sealed, err := c.signIn.Secrets.Seal(c.rand, id, []byte(secret))
	if err != nil {
		return nil, "", err
	}
	all := []record.WebhookSecret{{Sealed: sealed}}
	if len(before) > 0 {
		until := record.TimeOf(c.now().Add(webhookOverlap))
		all = append(all, record.WebhookSecret{Sealed: before[0].Sealed, Until: &until})
	}
	return all, secret, nil
}

// ListWebhooks returns one page of a payer's webhooks, or of all for the network. Their secrets are sealed, and nobody is shown them.
func (c *Casework) ListWebhooks(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Webhook], error) {
	var out record.List[record.Webhook]
	if err := need(p, record.RolePayer, record.RoleNetworkAdmin, record.RoleNetworkAuditor); err != nil {
		return out, err
	}
	size, err := sizeOf(page)
	if err != nil {
		return out, err
	}
	if err := idCursor(record.KindWebhook, page.Cursor); err != nil {
		return out, err
	}
	var rows []store.Row
	err = c.store.ReadClinic(ctx, record.NetworkClinic, func(tx *store.Tx) (err error) {
		switch {
		case p.PayerID == "" && !p.Network:
			return fault.New(fault.Denied, "PAYER_ONLY", "webhooks are for payers and the network")
		case p.PayerID == "":
			rows, err = tx.ListNewest(ctx, record.KindWebhook, page.Cursor, size+1)
			return err
		}
		all, err := tx.WebhooksOfPayer(ctx, p.PayerID)
		rows = rows[:0]
		for _, row := range all {
			if row.ID > page.Cursor {
				rows = append(rows, row)
			}
		}
		return err
	})
	if err != nil {
		return out, fmt.Errorf("list webhooks: %w", err)
	}
	return pageOf(record.KindWebhook, rows, size, func(row store.Row) (record.Webhook, error) { return read[record.Webhook](record.KindWebhook, row.Body) })
}
