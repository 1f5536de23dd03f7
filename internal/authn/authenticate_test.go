package authn

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// tokens is a finder over a map, with the member m, an evaluator, as long as no other is given.
type tokens struct {
	rows     map[string]store.TokenRow
	err      error
	member   *record.Member
	identity *record.Identity
	lost     error
}

func (f tokens) FindHolder(_ context.Context, clinicID, memberID, identityID string) (store.Holder, error) {
	m := record.Member{ID: "m", ClinicID: clinic, Roles: []record.Role{record.RoleEvaluator}}
	if f.member != nil {
		m = *f.member
	}
	var h store.Holder
	var err error
	if m.ClinicID == clinicID && m.ID == memberID {
		h.Member, err = json.Marshal(m)
	}
	if f.identity != nil && f.identity.ID == identityID && err == nil {
		h.Identity, err = json.Marshal(*f.identity)
	}
	if f.lost != nil {
		return store.Holder{}, f.lost
	}
	return h, err
}

// ending is a row with a revocation.
func ending(t *testing.T, row store.TokenRow, r record.TokenRevocation) store.TokenRow {
	t.Helper()
	var err error
	if row.Revocation, err = json.Marshal(r); err != nil {
		t.Fatal(err)
	}
	return row
}

func (f tokens) FindToken(_ context.Context, id string) (store.TokenRow, error) {
	if f.err != nil {
		return store.TokenRow{}, f.err
	}
	row, ok := f.rows[id]
	if !ok {
		return store.TokenRow{}, fault.New(fault.NotFound, "NOT_FOUND", "there is no such token")
	}
	return row, nil
}

var expiry = time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC)

const (
	tokenID = "019a0000-0000-7000-8000-0000000000aa"
	clinic  = "019a0000-0000-7000-8000-00000000000a"
	payer   = "019a0000-0000-7000-8000-0000000000f0"
)

// minted is a token with its stored form, changed by change.
func minted(t *testing.T, change func(*record.Token)) (text string, row store.TokenRow) {
	t.Helper()
	id, text, hash, err := MintFor(bytes.NewReader(bytes.Repeat([]byte{7}, secretSize)), tokenID)
	if err != nil {
		t.Fatal(err)
	}
	token := record.Token{ID: id, ClinicID: clinic, MemberID: "m", Label: "station 1", Roles: []record.Role{record.RoleStation},
		ExpiresAt: record.TimeOf(expiry), SecretHash: hash}
	if change != nil {
		change(&token)
	}
	body, err := json.Marshal(token)
	if err != nil {
		t.Fatal(err)
	}
	return text, store.TokenRow{Token: body}
}

func at(moment time.Time) func() time.Time { return func() time.Time { return moment } }

func TestAuthenticate(t *testing.T) {
	before := expiry.Add(-time.Microsecond)
	for name, tt := range map[string]struct {
		change func(*record.Token)
		want   Principal
	}{
		"clinic": {nil, Principal{TokenID: tokenID, ClinicID: clinic, MemberID: "m", Label: "station 1", Roles: []record.Role{record.RoleStation}}},
		"network": {func(k *record.Token) {
			k.ClinicID, k.MemberID, k.Roles = "", "", []record.Role{record.RoleNetworkAdmin}
		},
			Principal{TokenID: tokenID, Network: true, Label: "station 1", Roles: []record.Role{record.RoleNetworkAdmin}}},
		"payer": {func(k *record.Token) {
			k.ClinicID, k.PayerID, k.MemberID, k.Roles = "", payer, "", []record.Role{record.RolePayer}
		}, Principal{TokenID: tokenID, PayerID: payer, Label: "station 1", Roles: []record.Role{record.RolePayer}}},
	} {
		text, row := minted(t, tt.change)
		a := NewAuthenticator(tokens{rows: map[string]store.TokenRow{tokenID: row}}, at(before))
		got, err := a.Authenticate(context.Background(), text)
		if diff := cmp.Diff(tt.want, got); diff != "" || err != nil {
			t.Errorf("%s: %v\n%s", name, err, diff)
		}
	}
}

func TestAuthenticateRefuses(t *testing.T) {
	before := expiry.Add(-time.Microsecond)
	other, _, _, err := mintOther()
	if err != nil {
		t.Fatal(err)
	}
	good, row := minted(t, nil)
	// Its moment lies ahead of this replica's clock, which another replica's was before.
	revoked := ending(t, row, record.TokenRevocation{RevokedAt: record.TimeOf(before.Add(time.Hour))})
	garbled := row
	garbled.Revocation = []byte("{")
	_, swapped := minted(t, func(k *record.Token) { k.ID = other })
	_, both := minted(t, func(k *record.Token) { k.PayerID = payer })
	_, noHash := minted(t, func(k *record.Token) { k.SecretHash = "" })
	_, zeroHash := minted(t, func(k *record.Token) { k.SecretHash = strings.Repeat("0", 64) })
	wrong := good[:len(good)-4] + "AAAA"
	for name, tt := range map[string]struct {
		text   string
		row    *store.TokenRow
		err    error
		now    time.Time
		kind   fault.Kind
		reason string
	}{
		"malformed":            {"pdl_x", &row, nil, before, fault.Unauthenticated, "UNAUTHENTICATED"},
		"unknown":              {good, nil, nil, before, fault.Unauthenticated, "UNAUTHENTICATED"},
		"wrong secret":         {wrong, &row, nil, before, fault.Unauthenticated, "UNAUTHENTICATED"},
		"wrong secret, gone":   {wrong, &revoked, nil, before, fault.Unauthenticated, "UNAUTHENTICATED"},
		"wrong secret, old":    {wrong, &row, nil, expiry, fault.Unauthenticated, "UNAUTHENTICATED"},
		"another token's body": {good, &swapped, nil, before, fault.Unauthenticated, "UNAUTHENTICATED"},
		"no hash":              {good, &noHash, nil, before, fault.Unauthenticated, "UNAUTHENTICATED"},
		"zero hash":            {good, &zeroHash, nil, before, fault.Unauthenticated, "UNAUTHENTICATED"},
		"revoked":              {good, &revoked, nil, before, fault.Unauthenticated, "TOKEN_REVOKED"},
		"expired":              {good, &row, nil, expiry, fault.Unauthenticated, "TOKEN_EXPIRED"},
		"revocation not JSON":  {good, &garbled, nil, before, fault.Internal, "TOKEN_DAMAGED"},
		"clinic and payer":     {good, &both, nil, before, fault.Internal, "TOKEN_DAMAGED"},
		"body not JSON":        {good, &store.TokenRow{Token: []byte("{")}, nil, before, fault.Internal, "TOKEN_DAMAGED"},
		"store down":           {good, &row, fault.New(fault.Unavailable, "STORE_UNAVAILABLE", "x"), before, fault.Unavailable, "STORE_UNAVAILABLE"},
	} {
		rows := map[string]store.TokenRow{}
		if tt.row != nil {
			rows[tokenID] = *tt.row
		}
		got, err := NewAuthenticator(tokens{rows: rows, err: tt.err}, at(tt.now)).Authenticate(context.Background(), tt.text)
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != tt.kind || f.Reason != tt.reason {
			t.Errorf("%s: %v, want %s", name, err, tt.reason)
			continue
		}
		if diff := cmp.Diff(Principal{}, got); diff != "" {
			t.Errorf("%s: a principal with the refusal:\n%s", name, diff)
		}
		if strings.Contains(err.Error(), tt.text) {
			t.Errorf("%s: the error holds the token", name)
		}
		if tt.reason == "UNAUTHENTICATED" && err.Error() != unauthenticated().Error() {
			t.Errorf("%s: %v is not the uniform answer", name, err)
		}
	}
}

func mintOther() (string, string, string, error) {
	return MintFor(bytes.NewReader(bytes.Repeat([]byte{9}, secretSize)), "019a0000-0000-7000-8000-0000000000bb")
}
