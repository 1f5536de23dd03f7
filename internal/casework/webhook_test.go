package casework

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// TestEventsAreSentInOrder: two replicas send each event of one chain once, the later one not before the earlier one was taken, and the bodies hold ids alone.
func TestEventsAreSentInOrder(t *testing.T) {
	t.Parallel()
	h := newHooked(t)
	h.payerSystem.answer = func(number int64, n int) int {
		switch {
		case number == 1 && n == 1:
			return http.StatusInternalServerError
		case number == 1 && n == 2:
			return -1
		}
		return http.StatusOK
	}
	h.release(east, day.Add(time.Hour))
	h.supersede()
	h.replica()
	h.replica()
	all := h.ended(2)
	want := []arrival{
		{"evt_" + insure + "_1", "result.released", 1, 500}, {"evt_" + insure + "_1", "result.released", 1, -1}, {"evt_" + insure + "_1", "result.released", 1, 200},
		{"evt_" + insure + "_2", "result.superseded", 2, 200},
	}
	if got := h.payerSystem.seen(); !slices.Equal(got, want) {
		t.Errorf("arrivals %+v, want %+v", got, want)
	}
	if all[0].FeedNumber != 2 || all[0].State != DeliveryDelivered || all[0].Attempts != 1 || all[0].LastFailure != "" || all[0].ResultID != id("f0", 2) {
		t.Errorf("second event: %+v", all[0])
	}
	if all[1].State != DeliveryDelivered || all[1].Attempts != 3 || all[1].LastFailure != "timeout" || all[1].EndedAt.IsZero() || all[1].ClinicID != east {
		t.Errorf("first event: %+v", all[1])
	}
	for _, body := range h.payerSystem.bodies {
		for _, word := range []string{"Invented", "name", "claim", "session", "finding"} {
			if strings.Contains(body, word) {
				t.Errorf("%s holds %q", body, word)
			}
		}
	}
	first := h.payerSystem.bodies[3]
	for _, part := range []string{`"feed_number":2`, `"result_id":"` + id("f0", 2) + `"`, `"clinic_id":"` + east + `"`, `"supersedes":"` + id("f0", 1) + `"`} {
		if !strings.Contains(first, part) {
			t.Errorf("%s does not hold %s", first, part)
		}
	}
	// A page at a time, newest first.
	page := must(h.c.ListDeliveries(h.ctx, h.network(record.RoleNetworkAuditor), insure, record.Page{Size: 1}))(t)
	next := must(h.c.ListDeliveries(h.ctx, h.payer(insure), insure, record.Page{Size: 1, Cursor: page.Next}))(t)
	if page.Next != "2" || len(next.Items) != 1 || next.Items[0].FeedNumber != 1 || next.Next != "" {
		t.Errorf("pages %+v, %+v", page, next)
	}
	// Sending is no disclosure.
	if n := len(h.entries(east, record.ActionResultDisclose)); n != 0 {
		t.Errorf("%d disclosures", n)
	}
}

// TestGivenUpIsVisible: after the last try the event is discarded, the payer sees it, and the next one of the chain is sent.
func TestGivenUpIsVisible(t *testing.T) {
	t.Parallel()
	h := newHooked(t)
	h.payerSystem.answer = func(number int64, _ int) int {
		if number == 1 {
			return http.StatusServiceUnavailable
		}
		return http.StatusOK
	}
	h.release(east, day.Add(time.Hour))
	h.supersede()
	h.replica()
	all := h.ended(2)
	if all[1].State != DeliveryDiscarded || all[1].Attempts != record.EventAttempts || all[1].LastFailure != "status 503" {
		t.Errorf("given up: %+v", all[1])
	}
	seen := h.payerSystem.seen()
	if len(seen) != record.EventAttempts+1 || seen[record.EventAttempts].number != 2 || all[0].State != DeliveryDelivered {
		t.Errorf("arrivals %+v", seen)
	}
}

// TestGone: a receiver that is gone for good (410) is not asked about that event again.
func TestGone(t *testing.T) {
	t.Parallel()
	h := newHooked(t)
	h.payerSystem.answer = always(http.StatusGone)
	h.release(east, day.Add(time.Hour))
	h.replica()
	if all := h.ended(1); all[0].State != DeliveryDiscarded || all[0].Attempts != 1 || all[0].LastFailure != "status 410" {
		t.Errorf("%+v", all)
	}
}

// TestWithdrawn: what was waiting is not sent once the release has been revoked or has expired, or the webhook was revoked; while the release lives it is.
func TestWithdrawn(t *testing.T) {
	t.Parallel()
	for name, tt := range map[string]struct {
		change func(h *hooked, r record.Stored[record.Release])
		state  DeliveryState
		code   string
	}{
		"release revoked": {func(h *hooked, r record.Stored[record.Release]) {
			r.Value.Revoked = true
			must(h.c.PutRelease(h.ctx, h.admin(east), r.Value, 1))(h.t)
		}, DeliveryWithdrawn, "release ended"},
		"release at its end":   {func(h *hooked, _ record.Stored[record.Release]) { h.setClock(day.Add(time.Hour)) }, DeliveryWithdrawn, "release ended"},
		"release just not yet": {func(h *hooked, _ record.Stored[record.Release]) { h.setClock(day.Add(time.Hour - time.Second)) }, DeliveryDelivered, ""},
		"webhook revoked": {func(h *hooked, _ record.Stored[record.Release]) {
			v := h.put.Webhook.Value
			v.Revoked = true
			must(h.c.PutWebhook(h.ctx, h.payer(insure), v, 1, false))(h.t)
		}, DeliveryWithdrawn, "webhook revoked"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHooked(t)
			r := h.release(east, day.Add(time.Hour))
			tt.change(h, r)
			h.replica()
			all := h.ended(1)
			if all[0].State != tt.state || all[0].LastFailure != tt.code {
				t.Errorf("%+v", all[0])
			}
			if sent := len(h.payerSystem.seen()); (sent == 0) != (tt.state == DeliveryWithdrawn) {
				t.Errorf("%d requests", sent)
			}
		})
	}
}

// TestWithdrawnBetweenTries: a release that is revoked while a failed event waits stops it.
func TestWithdrawnBetweenTries(t *testing.T) {
	t.Parallel()
	h := newHooked(t)
	r := h.release(east, day.Add(time.Hour))
	h.payerSystem.answer = func(int64, int) int {
		v := r.Value
		v.Revoked = true
		if _, err := h.c.PutRelease(h.ctx, h.admin(east), v, 1); err != nil {
			t.Error(err)
		}
		return http.StatusBadGateway
	}
	h.replica()
	if all := h.ended(1); all[0].State != DeliveryWithdrawn || all[0].LastFailure != "release ended" || len(h.payerSystem.seen()) != 1 {
		t.Errorf("%+v after %d requests", all[0], len(h.payerSystem.seen()))
	}
}

// TestDeadReplicasJobIsRescued: the row is as a replica leaves it that was killed in the middle of a try.
func TestDeadReplicasJobIsRescued(t *testing.T) {
	t.Parallel()
	h := newHooked(t)
	h.release(east, day.Add(time.Hour))
	h.super(`UPDATE ponderal_queue.river_job SET state = 'running', attempt = 1, attempted_at = now() - interval '1 hour', attempted_by = '{dead}'`)
	h.replica()
	all := h.ended(1)
	if all[0].State != DeliveryDelivered || all[0].Attempts != 2 || all[0].LastFailure != codeInterrupted || !slices.Equal(h.payerSystem.taken(), []int64{1}) {
		t.Errorf("%+v, taken %v", all[0], h.payerSystem.taken())
	}
}

// TestAStoppedReplicaLeavesItsWork: a try that a stop interrupts does not count, and another replica makes it.
func TestAStoppedReplicaLeavesItsWork(t *testing.T) {
	t.Parallel()
	h := newHooked(t)
	h.payerSystem.answer = func(_ int64, n int) int {
		if n == 1 {
			return -1
		}
		return http.StatusOK
	}
	h.release(east, day.Add(time.Hour))
	stop := h.replica()
	h.until("the first request", func() bool { return len(h.payerSystem.seen()) == 1 })
	stop()
	h.replica()
	if all := h.ended(1); all[0].State != DeliveryDelivered || !slices.Equal(h.payerSystem.taken(), []int64{1}) {
		t.Errorf("%+v, taken %v", all[0], h.payerSystem.taken())
	}
}

// TestWebhookRotation: both secrets sign for a day, then the newest alone; neither stands in the store in clear.
func TestWebhookRotation(t *testing.T) {
	t.Parallel()
	h := newHooked(t)
	v := h.put.Webhook.Value
	rotated := must(h.c.PutWebhook(h.ctx, h.payer(insure), v, 1, true))(t)
	if rotated.Secret == "" || rotated.Secret == h.put.Secret || len(rotated.Webhook.Value.Secrets) != 2 {
		t.Fatalf("rotated: %+v", rotated.Webhook)
	}
	d := h.c.Delivering(nil, nil)
	secrets := func() []string {
		_, s, err := d.target(h.ctx, insure)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	h.setClock(day.Add(webhookOverlap - time.Second))
	if got := secrets(); !slices.Equal(got, []string{rotated.Secret, h.put.Secret}) {
		t.Errorf("%d secrets just before the end of the overlap", len(got))
	}
	h.setClock(day.Add(webhookOverlap))
	if got := secrets(); !slices.Equal(got, []string{rotated.Secret}) {
		t.Errorf("%d secrets at the end of the overlap", len(got))
	}
	if err := h.store.ReadClinic(h.ctx, record.NetworkClinic, func(tx *store.Tx) error {
		rows, err := tx.WebhooksOfPayer(h.ctx, insure)
		for _, row := range rows {
			if strings.Contains(string(row.Body), "whsec_") || strings.Contains(string(row.Body), strings.TrimPrefix(rotated.Secret, "whsec_")) {
				t.Error("a secret stands in the store in clear")
			}
		}
		keys, err2 := tx.KeysOfWebhooks(h.ctx)
		if !slices.Equal(keys, []string{"k1"}) || err2 != nil {
			t.Errorf("keys %v, %v", keys, err2)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	// During the overlap a receiver that knows the former secret alone takes events, and so does one that knows the newest alone.
	h.setClock(day.Add(time.Minute))
	h.payerSystem.secrets = []string{h.put.Secret}
	h.release(east, day.Add(time.Hour))
	h.replica()
	h.ended(1)
	h.payerSystem.mu.Lock()
	h.payerSystem.secrets = []string{rotated.Secret}
	h.payerSystem.mu.Unlock()
	h.supersede()
	h.ended(2)
	if got := h.payerSystem.taken(); !slices.Equal(got, []int64{1, 2}) {
		t.Errorf("taken %v", got)
	}
}

func TestPutWebhook(t *testing.T) {
	t.Parallel()
	h := newHooked(t)
	v := record.Webhook{ID: id("eb", 1), PayerID: insure, URL: h.put.Webhook.Value.URL}
	// The same again changes nothing and shows nothing.
	again := must(h.c.PutWebhook(h.ctx, h.network(record.RoleNetworkAdmin), v, 0, false))(t)
	if again.Secret != "" || again.Webhook.Revision.Number != 1 {
		t.Errorf("again: %+v", again)
	}
	other := v
	other.ID = id("eb", 2)
	_, err := h.c.PutWebhook(h.ctx, h.payer(insure), other, 0, false)
	wantInvalid(t, err, "webhook.id webhook.one")
	stolen := v
	stolen.PayerID, stolen.URL = "", "https://rival.example/"
	_, err = h.c.PutWebhook(h.ctx, h.payer(rival), stolen, 1, false)
	wantInvalid(t, err, "webhook.id webhook.payer")
	_, err = h.c.PutWebhook(h.ctx, h.payer(rival), v, 1, false)
	wantFault(t, err, fault.Denied, "OTHER_PAYER")
	_, err = h.c.PutWebhook(h.ctx, h.admin(east), v, 1, false)
	wantFault(t, err, fault.Denied, "ROLE_NEEDED")
	_, err = h.c.PutWebhook(h.ctx, h.network(record.RoleNetworkAdmin), stolen, 1, false)
	wantInvalid(t, err, "webhook.payer_id payer.named")
	plain := v
	plain.URL = "http://payer.example/"
	_, err = h.c.PutWebhook(h.ctx, h.payer(insure), plain, 1, false)
	wantInvalid(t, err, "webhook.url webhook.url")
	nobodys := other
	nobodys.PayerID = id("ba", 9)
	_, err = h.c.PutWebhook(h.ctx, h.network(record.RoleNetworkAdmin), nobodys, 0, false)
	wantInvalid(t, err, "webhook.payer_id payer.exists")
	_, err = h.c.PutWebhook(h.ctx, h.payer(insure), other, 3, false)
	wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")
	for who, want := range map[string]int{insure: 1, rival: 0} {
		if got := must(h.c.ListWebhooks(h.ctx, h.payer(who), record.Page{}))(t); len(got.Items) != want {
			t.Errorf("webhooks of %s: %+v", who, got)
		}
		if got := must(h.c.ListDeliveries(h.ctx, h.payer(who), "", record.Page{}))(t); len(got.Items) != 0 {
			t.Errorf("deliveries of %s: %+v", who, got)
		}
	}
	_, err = h.c.ListDeliveries(h.ctx, h.payer(rival), insure, record.Page{})
	wantFault(t, err, fault.Denied, "OTHER_PAYER")
	if got := must(h.c.ListWebhooks(h.ctx, h.network(record.RoleNetworkAuditor), record.Page{}))(t); len(got.Items) != 1 {
		t.Errorf("webhooks of the network: %+v", got)
	}
	// Revoked, it makes room for another one.
	v.Revoked = true
	must(h.c.PutWebhook(h.ctx, h.payer(insure), v, 1, false))(t)
	must(h.c.PutWebhook(h.ctx, h.payer(insure), other, 0, false))(t)
	h.c.signIn = nil
	_, err = h.c.PutWebhook(h.ctx, h.payer(insure), other, 1, true)
	wantFault(t, err, fault.Precondition, "WEBHOOKS_NOT_SET_UP")
}

// TestNoWebhookNoEvent: for a payer that has none, or none any more, nothing is queued.
func TestNoWebhookNoEvent(t *testing.T) {
	t.Parallel()
	h := newHooked(t)
	v := h.put.Webhook.Value
	v.Revoked = true
	must(h.c.PutWebhook(h.ctx, h.payer(insure), v, 1, false))(t)
	h.release(east, day.Add(time.Hour))
	if got := h.deliveries(); len(got) != 0 {
		t.Errorf("%+v", got)
	}
}

// TestManyEventsTwoReplicas: sixteen results are released at once; every event fails once and is taken once, by whichever of two replicas, and none is lost or sent again.
func TestManyEventsTwoReplicas(t *testing.T) {
	t.Parallel()
	h := newHooked(t)
	h.payerSystem.answer = func(_ int64, n int) int {
		if n == 1 {
			return http.StatusTooManyRequests
		}
		return http.StatusOK
	}
	const results = 16
	digest := h.session.Series[0].ProtocolDigest
	for n := 2; n <= results; n++ {
		s := session(t, digest, n)
		must(h.c.PushSession(h.ctx, h.station(east), s))(t)
		in := signing(s)
		in.ResultID = id("f0", 100+n)
		must(h.c.SignResult(h.ctx, h.reviewer(east), in))(t)
	}
	h.release(east, day.Add(time.Hour))
	h.replica()
	h.replica()
	for _, d := range h.ended(results) {
		if d.State != DeliveryDelivered || d.Attempts != 2 {
			t.Errorf("%+v", d)
		}
	}
	taken := h.payerSystem.taken()
	slices.Sort(taken)
	if len(taken) != results || len(slices.Compact(taken)) != results || len(h.payerSystem.seen()) != 2*results {
		t.Errorf("taken %v after %d requests", taken, len(h.payerSystem.seen()))
	}
}
