package casework

import (
	"context"
	"errors"
	"io"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

func TestPutRevisions(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	v := record.Client{ID: id("a1", 1), GivenName: "Pat", FamilyName: "Example", BirthDate: "1980-03-05"}
	first := must(w.c.PutClient(w.ctx, w.station(east), v, 0))(t)
	w.unchanged(func() {
		for _, expected := range []int{0, 1, 7} {
			again := must(w.c.PutClient(w.ctx, w.station(east), v, expected))(t)
			if diff := cmp.Diff(first, again); diff != "" {
				t.Errorf("the same content again, expecting %d\n%s", expected, diff)
			}
		}
		other := v
		other.FamilyName = "Sample"
		for _, expected := range []int{0, 2} {
			_, err := w.c.PutClient(w.ctx, w.station(east), other, expected)
			if diff := cmp.Diff([]string{"client.family_name record.differs"}, wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")); diff != "" {
				t.Error(diff)
			}
		}
		fresh := v
		fresh.ID = id("a1", 2)
		_, err := w.c.PutClient(w.ctx, w.station(east), fresh, 1)
		wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")
		_, err = w.c.PutClient(w.ctx, w.station(east), record.Client{ID: v.ID, ClinicID: west}, 0)
		wantFault(t, err, fault.Denied, "OTHER_CLINIC")
		_, err = w.c.PutClient(w.ctx, w.payer(insure), v, 0)
		wantFault(t, err, fault.Denied, "NO_CLINIC")
		_, err = w.c.PutClient(w.ctx, w.member(id("c1", 9), sam, record.RoleEvaluator), v, 0)
		wantFault(t, err, fault.NotFound, "CLINIC_NOT_FOUND")
	})
	v.FamilyName = "Sample"
	if got := must(w.c.PutClient(w.ctx, w.station(east), v, 1))(t); got.Revision.Number != 2 {
		t.Errorf("second revision: %+v", got.Revision)
	}
	w.accounted(east)
	w.accounted(record.NetworkClinic)
}

func TestPutReferencesAndRoles(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.ready(east)
	w.unchanged(func() {
		_, err := w.c.PutReferral(w.ctx, w.admin(east), record.Referral{ID: id("e1", 5), ClientID: id("a1", 9), PayerID: id("ba", 9), JobProfileID: id("b1", 9)}, 0)
		wantInvalid(t, err, "referral.client_id client.exists", "referral.payer_id payer.exists", "referral.job_profile_id job_profile.exists")
		_, err = w.c.PutClinic(w.ctx, w.admin(east), record.Clinic{ID: id("c1", 5), DisplayUnit: "lb"}, 0)
		wantFault(t, err, fault.Denied, "NETWORK_ONLY")
		_, err = w.c.PutPayer(w.ctx, w.network(record.RoleNetworkAuditor), record.Payer{ID: id("ba", 5)}, 0)
		wantFault(t, err, fault.Denied, "ROLE_NEEDED")
		_, err = w.c.PutClinic(w.ctx, w.network(record.RoleNetworkAdmin), record.Clinic{ID: record.NetworkClinic, DisplayUnit: "st"}, 0)
		wantInvalid(t, err, "clinic.id clinic.id_reserved", "clinic.display_unit unit.known")
		_, err = w.c.PutMember(w.ctx, w.network(record.RoleNetworkAdmin), record.Member{ID: id("da", 8), Name: "X"}, 0)
		wantInvalid(t, err, "clinic_id clinic.named")
		_, err = w.c.PutMember(w.ctx, w.admin(east), record.Member{ID: id("da", 8), Name: "X", Roles: []record.Role{record.RoleNetworkAdmin}}, 0)
		wantInvalid(t, err, "member.roles[0] member.role")
		_, err = w.c.PutMember(w.ctx, w.member(east, sam, record.RoleEvaluator), record.Member{ID: id("da", 8), Name: "X"}, 0)
		wantFault(t, err, fault.Denied, "ROLE_NEEDED")
		must(w.c.PublishProtocol(w.ctx, w.admin(east), protocol(t)))(t)
	})
	if _, err := w.c.GetClient(w.ctx, w.station(west), id("a1", 1)); !fault.Is(err, fault.NotFound) {
		t.Errorf("another clinic's client: got %v, want NotFound", err)
	}
}

// laptop asks for a token of the reviewer that works for as long as one may.
func laptop() NewToken {
	return NewToken{MemberID: dana, Label: "laptop", Roles: []record.Role{record.RoleReviewer}, ExpiresAt: record.TimeOf(day.Add(tokenLife))}
}

func TestTokensRefused(t *testing.T) {
	t.Parallel()
	w, base := newWorld(t), laptop()
	root := w.network(record.RoleNetworkAdmin)
	ends := base.ExpiresAt
	edit := func(fn func(*NewToken)) NewToken { in := base; fn(&in); return in }
	w.unchanged(func() {
		refuse := func(p authn.Principal, in NewToken, want ...string) {
			t.Helper()
			_, secret, err := w.c.CreateToken(w.ctx, p, in)
			wantInvalid(t, err, want...)
			if secret != "" {
				t.Error("a secret without a token")
			}
		}
		refuse(w.admin(east), edit(func(x *NewToken) { x.ExpiresAt = record.TimeOf(day.Add(tokenLife + time.Microsecond)) }), "expires_at token.expires")
		refuse(w.admin(east), edit(func(x *NewToken) { x.ExpiresAt = record.TimeOf(day) }), "expires_at token.expires")
		refuse(w.admin(east), edit(func(x *NewToken) { x.MemberID = lee; x.Roles = []record.Role{record.RoleEvaluator} }), "member_id member.present")
		refuse(w.admin(east), edit(func(x *NewToken) { x.MemberID = sam }), "roles[0] token.member_has_role")
		refuse(w.admin(east), edit(func(x *NewToken) { x.MemberID = id("da", 99) }), "member_id member.exists")
		refuse(w.admin(east), edit(func(x *NewToken) { x.MemberID = "" }), "roles token.station_role")
		refuse(w.admin(east), edit(func(x *NewToken) { x.Roles = []record.Role{record.RoleNetworkAdmin} }), "roles token.member_roles")
		refuse(root, NewToken{PayerID: id("ba", 9), Label: "p", Roles: []record.Role{record.RolePayer}, ExpiresAt: ends}, "payer_id payer.exists")
		refuse(root, NewToken{PayerID: insure, Label: " ", Roles: []record.Role{record.RoleStation}, ExpiresAt: ends}, "roles token.payer_role", "label token.label")
		refuse(root, NewToken{Label: "n", Roles: []record.Role{record.RoleReviewer}, ExpiresAt: ends}, "roles token.network_roles")
		refuse(root, edit(func(x *NewToken) { x.ClinicID = id("c1", 9) }), "clinic_id clinic.exists")
		for p, in := range map[string]struct {
			p  authn.Principal
			in NewToken
		}{
			"OTHER_CLINIC": {w.admin(east), edit(func(x *NewToken) { x.ClinicID = west })},
			"NETWORK_ONLY": {w.admin(east), NewToken{PayerID: insure, Label: "p", Roles: []record.Role{record.RolePayer}, ExpiresAt: ends}},
			"ROLE_NEEDED":  {w.reviewer(east), base},
		} {
			_, _, err := w.c.CreateToken(w.ctx, in.p, in.in)
			wantFault(t, err, fault.Denied, p)
		}
	})
}

func TestTokens(t *testing.T) {
	t.Parallel()
	w, base := newWorld(t), laptop()
	root, ends := w.network(record.RoleNetworkAdmin), base.ExpiresAt
	made, secret, err := w.c.CreateToken(w.ctx, w.admin(east), base)
	if err != nil || secret == "" || made.Value.Token.ClinicID != east {
		t.Fatalf("create token: %+v, %v", made, err)
	}
	auth := authn.NewAuthenticator(w.store, w.clock.now)
	if p, err := auth.Authenticate(w.ctx, secret); err != nil || p.MemberID != dana || p.ClinicID != east {
		t.Errorf("the new token gives %+v, %v", p, err)
	}
	for _, in := range []NewToken{
		{PayerID: insure, Label: "claims", Roles: []record.Role{record.RolePayer}, ExpiresAt: ends},
		{Label: "audit", Roles: []record.Role{record.RoleNetworkAuditor}, ExpiresAt: ends},
		{ClinicID: west, Label: "station", Roles: []record.Role{record.RoleStation}, ExpiresAt: ends},
	} {
		if _, _, err := w.c.CreateToken(w.ctx, root, in); err != nil {
			t.Errorf("%s: %v", in.Label, err)
		}
	}
	if _, _, err := w.c.BootstrapToken(w.ctx, NewToken{Label: "first", Roles: []record.Role{record.RoleNetworkAdmin}, ExpiresAt: ends}); err != nil {
		t.Error(err)
	}
	if _, err := w.c.RevokeToken(w.ctx, w.admin(west), made.Value.Token.ID, "lost"); !fault.Is(err, fault.NotFound) {
		t.Errorf("revoked by another clinic: %v", err)
	}
	revoked := must(w.c.RevokeToken(w.ctx, w.admin(east), made.Value.Token.ID, "lost"))(t)
	if revoked.Value.RevokedAt.IsZero() {
		t.Error("revoked at no time")
	}
	w.unchanged(func() {
		again := must(w.c.RevokeToken(w.ctx, w.admin(east), made.Value.Token.ID, "again"))(t)
		if diff := cmp.Diff(revoked, again); diff != "" {
			t.Error(diff)
		}
	})
	if _, err := auth.Authenticate(w.ctx, secret); !fault.Is(err, fault.Unauthenticated) {
		t.Errorf("a revoked token: %v", err)
	}
	list := must(w.c.ListTokens(w.ctx, w.admin(east), record.Page{}))(t)
	if len(list.Items) != 1 || !list.Items[0].Value.RevokedAt.Equal(revoked.Value.RevokedAt) {
		t.Errorf("tokens of the clinic: %+v", list)
	}
	w.accounted(east)
	w.accounted(record.NetworkClinic)
}

func TestListsByPage(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	for n := 2; n <= 5; n++ {
		must(w.c.PushSession(w.ctx, w.station(east), session(t, s.Series[0].ProtocolDigest, n)))(t)
	}
	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), correction(t, s, 1)))(t)
	var sessions, findings, members []string
	page := record.Page{Size: 2}
	for {
		got := must(w.c.ListSessions(w.ctx, w.station(east), page))(t)
		for _, x := range got.Items {
			sessions = append(sessions, x.Value.ID)
		}
		if page.Cursor = got.Next; page.Cursor == "" {
			break
		}
	}
	for {
		got := must(w.c.ListFindings(w.ctx, w.station(east), page))(t)
		for _, x := range got.Items {
			findings = append(findings, x.Value.SessionID)
		}
		if page.Cursor = got.Next; page.Cursor == "" {
			break
		}
	}
	for {
		got := must(w.c.ListMembers(w.ctx, w.admin(east), page))(t)
		for _, x := range got.Items {
			members = append(members, x.Value.ID)
		}
		if page.Cursor = got.Next; page.Cursor == "" {
			break
		}
	}
	ids := func(ns ...int) (out []string) {
		for _, n := range ns {
			out = append(out, id("5e", n))
		}
		return out
	}
	for _, c := range []struct{ want, got []string }{
		{ids(1, 2, 3, 4, 5, 1), sessions}, {ids(2, 3, 4, 5, 1), findings}, {[]string{dana, sam, robin, lee}, members}} {
		if diff := cmp.Diff(c.want, c.got); diff != "" {
			t.Errorf("(-want +got)\n%s", diff)
		}
	}
	_, err := w.c.ListMembers(w.ctx, w.admin(east), record.Page{Cursor: "x"})
	wantInvalid(t, err, "page.cursor page.cursor")
	_, err = w.c.ListMembers(w.ctx, w.admin(east), record.Page{Size: 501})
	wantInvalid(t, err, "page.size page.size")
	must(w.c.ListMembers(w.ctx, w.admin(east), record.Page{Size: 500}))(t)
}

func TestEntriesAreProven(t *testing.T) {
	t.Parallel()
	w, _ := pushed(t)
	head := must(w.c.GetCheckpoint(w.ctx, w.admin(east)))(t)
	signed := must(seal.VerifyCheckpoint(w.ring, logName+"/"+east, head.Note))(t)
	if signed.Size != head.Size || signed.Root != head.Root {
		t.Errorf("checkpoint %+v, note says %+v", head, signed)
	}
	for n := range head.Size {
		view, proof, err := w.c.GetEntry(w.ctx, w.admin(east), n)
		if err != nil {
			t.Fatal(err)
		}
		leaf := merkle.LeafHash(proof.Salt, []byte(proof.Entry))
		if err := merkle.VerifyInclusion(proof.Path, signed.Size, signed.Root, n, leaf); err != nil || view.Entry.Number != n {
			t.Errorf("entry %d: %v", n, err)
		}
	}
	if _, _, err := w.c.GetEntry(w.ctx, w.admin(east), head.Size); !fault.Is(err, fault.NotFound) {
		t.Errorf("an entry beyond the log: %v", err)
	}
}

// TestKilledMidway ends the call between what a transaction reads and what it writes, under the log's lock. Nothing is left, and the
// repetition succeeds.
func TestKilledMidway(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	s := session(t, w.ready(east), 1)
	w.unchanged(func() {
		ctx, cancel := context.WithCancel(w.ctx)
		defer cancel()
		w.logClock.onNext(cancel)
		_, err := w.c.PushSession(ctx, w.station(east), s)
		if !fault.Is(err, fault.Canceled) {
			t.Errorf("push killed midway: got %v, want Canceled", err)
		}
	})
	must(w.c.PushSession(w.ctx, w.station(east), s))(t)
	w.unchanged(func() {
		ctx, cancel := context.WithCancel(w.ctx)
		defer cancel()
		w.logClock.onNext(cancel)
		if _, err := w.c.SignResult(ctx, w.reviewer(east), signing(s)); !fault.Is(err, fault.Canceled) {
			t.Errorf("signing killed midway: got %v, want Canceled", err)
		}
	})
	must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	w.accounted(east)
}

func TestNewRefusesBadKeys(t *testing.T) {
	t.Parallel()
	w := bareWorld(t)
	random := &source{r: constant{}}
	good := Options{Store: w.store, Log: w.c.log, ResultKey: w.c.key, Ring: w.ring, Now: w.clock.now, Rand: random}
	must(New(t.Context(), good))(t)
	stranger := must(seal.GenerateKey(random, seal.UseResult))(t)
	logKey := must(seal.GenerateKey(random, seal.UseLog))(t)
	for name, edit := range map[string]func(*Options){
		"no store":           func(o *Options) { o.Store = nil },
		"no clock":           func(o *Options) { o.Now = nil },
		"no randomness":      func(o *Options) { o.Rand = nil },
		"no key":             func(o *Options) { o.ResultKey = seal.Key{} },
		"key of another":     func(o *Options) { o.ResultKey = stranger },
		"key for logs":       func(o *Options) { o.ResultKey = logKey },
		"empty key set":      func(o *Options) { o.Ring = seal.Ring{} },
		"no log to write to": func(o *Options) { o.Log = nil },
	} {
		o := good
		edit(&o)
		if _, err := New(t.Context(), o); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// constant is a source of the same byte.
type constant struct{}

func (constant) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = 9
	}
	if len(b) == 0 {
		return 0, errors.Join(io.EOF)
	}
	return len(b), nil
}
