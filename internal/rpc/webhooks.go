package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

// WebhookCases are the use cases of webhooks: where payers' events are sent, and what became of them.
type WebhookCases interface {
	PutWebhook(ctx context.Context, p authn.Principal, v record.Webhook, expected int, rotate bool) (casework.WebhookPut, error)
	ListWebhooks(context.Context, authn.Principal, record.Page) (record.List[record.Webhook], error)
	ListDeliveries(ctx context.Context, p authn.Principal, payerID string, page record.Page) (casework.DeliveryList, error)
}

type webhooks struct {
	pb.UnimplementedWebhookServiceServer
	cases WebhookCases
}

func (s webhooks) PutWebhook(ctx context.Context, req *pb.PutWebhookRequest) (*pb.PutWebhookResponse, error) {
	r := &reader{}
	m := req.GetWebhook()
	v := record.Webhook{ID: r.id(m.GetId(), "webhook.id"), PayerID: r.id(m.GetPayerId(), "webhook.payer_id"), URL: r.line(m.GetUrl(), "webhook.url"), Revoked: m.GetRevoked()}
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	done, err := s.cases.PutWebhook(ctx, principalOf(ctx), v, int(req.GetExpectedRevision()), req.GetRotateSecret())
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PutWebhookResponse{Webhook: w.webhook(done.Webhook), Secret: done.Secret})
}

func (s webhooks) ListWebhooks(ctx context.Context, req *pb.ListWebhooksRequest) (*pb.ListWebhooksResponse, error) {
	got, err := s.cases.ListWebhooks(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListWebhooksResponse{Webhooks: list(w, got.Items, (*writer).webhook), NextCursor: got.Next})
}

func (s webhooks) ListDeliveries(ctx context.Context, req *pb.ListDeliveriesRequest) (*pb.ListDeliveriesResponse, error) {
	r := &reader{}
	payer := r.id(req.GetPayerId(), "payer_id")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := s.cases.ListDeliveries(ctx, principalOf(ctx), payer, readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	out := &pb.ListDeliveriesResponse{NextCursor: got.Next}
	for _, d := range got.Items {
		out.Deliveries = append(out.Deliveries, w.delivery(d))
	}
	return answered(w, out)
}

// webhook leaves the secrets out.
func (w *writer) webhook(s record.Stored[record.Webhook]) *pb.Webhook {
	v := s.Value
	out := &pb.Webhook{Id: v.ID, PayerId: v.PayerID, Url: v.URL, Revoked: v.Revoked, Revision: w.revision(s.Revision)}
	if len(v.Secrets) > 1 && v.Secrets[1].Until != nil {
		out.FormerSecretUntil = w.time(*v.Secrets[1].Until)
	}
	return out
}

var deliveryStates = newWords(map[pb.DeliveryState]casework.DeliveryState{
	pb.DeliveryState_DELIVERY_STATE_WAITING:   casework.DeliveryWaiting,
	pb.DeliveryState_DELIVERY_STATE_DELIVERED: casework.DeliveryDelivered,
	pb.DeliveryState_DELIVERY_STATE_DISCARDED: casework.DeliveryDiscarded,
	pb.DeliveryState_DELIVERY_STATE_WITHDRAWN: casework.DeliveryWithdrawn,
})

func (w *writer) delivery(d casework.Delivery) *pb.Delivery {
	state, known := deliveryStates.value(d.State)
	if !known {
		w.fail("delivery %s is %s", d.ID, d.State)
	}
	return &pb.Delivery{Id: d.ID, FeedNumber: d.FeedNumber, ResultId: d.ResultID, ClinicId: d.ClinicID, State: state, Attempts: w.number(d.Attempts),
		LastFailure: d.LastFailure, LastAttemptAt: w.time(d.LastAt), NextAttemptAt: w.time(d.NextAt), EndedAt: w.time(d.EndedAt)}
}
