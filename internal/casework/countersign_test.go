package casework

import (
	"context"
	"testing"
	"time"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// jo is a second reviewer; the bundle tests of a second signature need one.
var jo = id("da", 5)

// proof is what checker accepts.
var proof = SignerProof{Password: "right"}

// checker is a signer's check whose right password is "right"; it counts.
type checker struct{ asked int }

func (c *checker) CheckSigner(_ context.Context, p authn.Principal, proof SignerProof, resultID string) error {
	c.asked++
	if proof.Password != "right" || p.MemberID == "" || resultID == "" {
		return fault.New(fault.Denied, "SIGNER_REFUSED", "the credential given for the signature was not accepted")
	}
	return nil
}

// reviewed is a pushed session whose evaluator is a reviewer too, in a clinic with or without independent review, with a second reviewer.
func reviewed(t *testing.T, independent bool) (*world, record.Session, *checker) {
	t.Helper()
	w := newWorld(t)
	check := &checker{}
	w.c.signers = check
	root := w.network(record.RoleNetworkAdmin)
	must(w.c.PutClinic(w.ctx, root, record.Clinic{ID: east, Name: "Invented Clinic East", DisplayUnit: mass.Pound, IndependentReview: independent}, 1))(t)
	root.ClinicID = east
	must(w.c.PutMember(w.ctx, root, record.Member{ID: jo, Name: "Jo Lindqvist", Credential: "OT", Roles: []record.Role{record.RoleReviewer}}, 0))(t)
	s := session(t, w.ready(east), 1)
	s.EvaluatorID = dana
	must(w.c.PushSession(w.ctx, w.station(east), s))(t)
	s.ClinicID = east
	return w, s, check
}

func countersigning(n int) Countersigning {
	return Countersigning{ID: id("cc", n), ResultID: id("f0", 1), Proof: SignerProof{Password: "right"}}
}

// TestSigningAsksForTheCredentialAgain (21 CFR 11.200(a), the published yardstick): no signature without it, none by a wrong one, and a repetition of
// what was carried out asks for nothing.
func TestSigningAsksForTheCredentialAgain(t *testing.T) {
	t.Parallel()
	w, s, check := reviewed(t, false)
	wrong := signing(s)
	wrong.Proof.Password = "wrong"
	none := signing(s)
	none.Proof = SignerProof{}
	w.unchanged(func() {
		_, err := w.c.SignResult(w.ctx, w.reviewer(east), none)
		if got := wantFault(t, err, fault.Invalid, "INVALID_REQUEST"); len(got) != 1 || got[0] != "proof signature.proof" || check.asked != 0 {
			t.Errorf("without a proof: %v, asked %d times", got, check.asked)
		}
		_, err = w.c.SignResult(w.ctx, w.reviewer(east), wrong)
		wantFault(t, err, fault.Denied, "SIGNER_REFUSED")
		w.c.signers = nil
		_, err = w.c.SignResult(w.ctx, w.reviewer(east), signing(s))
		wantFault(t, err, fault.Precondition, "SIGNING_NOT_SET_UP")
		w.c.signers = check
	})
	first := must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	asked := check.asked
	again := must(w.c.SignResult(w.ctx, w.reviewer(east), none))(t)
	if check.asked != asked || again.Value.Bundle.JWS != first.Value.Bundle.JWS {
		t.Errorf("the repetition asked again, or signed again")
	}
}

// TestCountersignature: a second reviewer signs over the first signature; the bundle verifies with it, the same request again changes nothing.
func TestCountersignature(t *testing.T) {
	t.Parallel()
	w, s, _ := reviewed(t, false)
	must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	second := w.member(east, jo, record.RoleReviewer)
	w.unchanged(func() {
		_, err := w.c.CountersignResult(w.ctx, w.reviewer(east), countersigning(1))
		wantFault(t, err, fault.Denied, "SECOND_SIGNER")
		_, err = w.c.CountersignResult(w.ctx, w.member(east, sam, record.RoleEvaluator), countersigning(1))
		wantFault(t, err, fault.Denied, "ROLE_NEEDED")
		_, err = w.c.CountersignResult(w.ctx, w.member(west, dana, record.RoleReviewer), countersigning(1))
		wantFault(t, err, fault.NotFound, "NOT_FOUND")
		wrong := countersigning(1)
		wrong.Proof.Password = "wrong"
		_, err = w.c.CountersignResult(w.ctx, second, wrong)
		wantFault(t, err, fault.Denied, "SIGNER_REFUSED")
	})
	got := must(w.c.CountersignResult(w.ctx, second, countersigning(1)))(t)
	r := w.verified(got.Value)
	if len(r.Countersignatures) != 1 || r.Countersignatures[0].Signature.Name != "Jo Lindqvist" || got.Value.AwaitsCountersignature {
		t.Errorf("countersignatures %+v", r.Countersignatures)
	}
	w.unchanged(func() {
		must(w.c.CountersignResult(w.ctx, second, countersigning(1)))(t)
		_, err := w.c.CountersignResult(w.ctx, second, countersigning(2))
		wantFault(t, err, fault.Conflict, "COUNTERSIGNED_ALREADY")
	})
	if seen := w.entries(east, record.ActionResultCountersign); len(seen) != 1 || seen[0].Actor.MemberID != jo || seen[0].Actor.Role != record.RoleReviewer {
		t.Errorf("entries %+v", seen)
	}
}

// TestCountersignatureOfWhatNoLongerStands: a result whose session was corrected since, or that was superseded, gets none.
func TestCountersignatureOfWhatNoLongerStands(t *testing.T) {
	t.Parallel()
	w, s, _ := reviewed(t, false)
	must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	second := w.member(east, jo, record.RoleReviewer)
	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), correction(t, s, 1)))(t)
	w.unchanged(func() {
		_, err := w.c.CountersignResult(w.ctx, second, countersigning(1))
		wantFault(t, err, fault.Precondition, "RESULT_OUTDATED")
	})
	must(w.c.SignResult(w.ctx, w.reviewer(east), superseding()))(t)
	w.unchanged(func() {
		_, err := w.c.CountersignResult(w.ctx, second, countersigning(1))
		wantFault(t, err, fault.Conflict, "RESULT_SUPERSEDED")
	})
}

// TestOnlyReviewerMeasured: where the clinic wants independent review, a result that the evaluator signed is no payer's before another reviewer has
// countersigned it, and does not verify before; where the clinic does not, or another reviewer signed, it is at once.
func TestOnlyReviewerMeasured(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		independent bool
		signer      string
		waits       bool
	}{
		"measured and signed":             {true, dana, true},
		"signed by another":               {true, jo, false},
		"measured and signed, no setting": {false, dana, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w, s, _ := reviewed(t, c.independent)
			got := must(w.c.SignResult(w.ctx, w.member(east, c.signer, record.RoleReviewer), signing(s)))(t).Value
			w.release(east, day.Add(time.Hour))
			feed := must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{}))(t)
			list := must(w.c.ListResults(w.ctx, w.reviewer(east), record.Page{}))(t)
			if got.AwaitsCountersignature != c.waits || list.Items[0].Value.AwaitsCountersignature != c.waits || (len(feed.Items) == 0) != c.waits {
				t.Errorf("waits %t, in the list %t, %d in the feed", got.AwaitsCountersignature, list.Items[0].Value.AwaitsCountersignature, len(feed.Items))
			}
			if !c.waits {
				w.verified(got)
				return
			}
			if _, err := bundle.Verify(w.ring, got.Bundle.File(), logName); err == nil {
				t.Error("a result that awaits a countersignature verifies")
			}
			_, err := w.c.GetResult(w.ctx, w.payer(insure), id("f0", 1))
			wantFault(t, err, fault.NotFound, "NOT_FOUND")
			must(w.c.CountersignResult(w.ctx, w.member(east, jo, record.RoleReviewer), countersigning(1)))(t)
			w.verified(must(w.c.GetResult(w.ctx, w.payer(insure), id("f0", 1)))(t).Value)
			if feed = must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{}))(t); len(feed.Items) != 1 {
				t.Errorf("%d in the feed once it is countersigned", len(feed.Items))
			}
		})
	}
}
