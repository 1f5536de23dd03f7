package casework

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/store"
)

// What a payer is shown is what the signature covers, byte for byte; anything else is not shown.
func TestWhatDoesNotVerifyIsNotShown(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	var row store.ShownRow
	err := w.c.store.ReadClinic(w.ctx, east, func(tx *store.Tx) error {
		rows, err := tx.Shown(context.WithoutCancel(w.ctx), []string{id("f0", 1), id("f0", 77), "no id"})
		if err == nil && len(rows) == 1 {
			row = rows[0]
		}
		return err
	})
	if err != nil || row.ID != id("f0", 1) {
		t.Fatalf("read the result: got %q, error %v", row.ID, err)
	}
	whole, _, err := w.c.open(row.ResultRow)
	if err != nil {
		t.Fatal(err)
	}
	doc, kid, err := w.c.openShown(row)
	if err != nil || kid == "" || doc.Format != whole.Format || doc.Clinic != whole.Clinic || doc.Client.ID != whole.Client.ID || doc.Referral.ID != whole.Referral.ID ||
		doc.Decision != whole.Decision || doc.Signature != whole.Signature || doc.CountersignatureNeeded != whole.CountersignatureNeeded {
		t.Errorf("got %+v, key %q, error %v; want the members of the whole document", doc, kid, err)
	}
	header, rest, _ := strings.Cut(row.JWS, ".")
	payload, signature, _ := strings.Cut(rest, ".")
	for name, change := range map[string]func(*store.ShownRow){
		"the text": func(r *store.ShownRow) {
			r.JWS = header + "." + payload[:40] + flip(payload[40:41]) + payload[41:] + "." + signature
		},
		"the signature": func(r *store.ShownRow) { r.JWS = header + "." + payload + "." + flip(signature[:1]) + signature[1:] },
		"the trials":    func(r *store.ShownRow) { r.Enclosed = append(bytes.Clone(r.Enclosed), ' ') },
		"no trials":     func(r *store.ShownRow) { r.Enclosed = nil },
		"the salt":      func(r *store.ShownRow) { r.EnclosedSalt = bytes.Repeat([]byte{7}, 32) },
	} {
		changed := row
		change(&changed)
		_, _, err := w.c.openShown(changed)
		wantFault(t, err, fault.Internal, "STORED_RESULT")
		if t.Failed() {
			t.Fatalf("with %s changed", name)
		}
	}
}

// flip is another letter of base64url.
func flip(letter string) string {
	if letter == "A" {
		return "B"
	}
	return "A"
}
