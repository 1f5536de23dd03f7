package main

import (
	"net/url"
	"strings"
	"testing"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// TestErase: without -confirm it says what would go and changes nothing; with it the client is gone and the audit check finds nothing wrong; under a hold nothing
// happens.
func TestErase(t *testing.T) {
	t.Parallel()
	env, db := configured(t)
	const clinic, client, other = "019a0000-0000-7000-8000-00000000000a", "019a0000-0000-7000-8000-0000000000c1", "019a0000-0000-7000-8000-0000000000c2"
	fillForErase(t, env, clinic, client, other)
	u, err := url.Parse(db.SuperURL)
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	q.Set("role", "ponderal_eraser")
	u.RawQuery = q.Encode()
	env[eraserURLVariable], env["USER"] = u.String(), "operator-1"
	order := func(client string, more ...string) []string {
		return append([]string{"erase", "-clinic", clinic, "-client", client, "-demand", "letter 7", "-asked-by", "the client"}, more...)
	}
	env["USER"] = ""
	if got := play(t, env, "", order(client)...); got.code != exitUsage || !strings.Contains(got.err, "give -operator") {
		t.Errorf("by nobody: status %d, %s%s", got.code, got.out, got.err)
	}
	env["USER"] = "operator-1"
	for range 2 {
		if got := play(t, env, "", order(client)...); got.code != exitOK || !strings.Contains(got.out, "Nothing was changed") || !strings.Contains(got.out, "1  client\n") ||
			!strings.Contains(got.out, "No payer was shown a result.") {
			t.Errorf("without -confirm: status %d, %s%s", got.code, got.out, got.err)
		}
	}
	if got := play(t, env, "", order(other, "-confirm")...); got.code != exitFailed || got.out != "" || !strings.Contains(got.err, "legal hold") {
		t.Errorf("under a hold: status %d, %s%s", got.code, got.out, got.err)
	}
	if got := play(t, env, "", order(client, "-confirm")...); got.code != exitOK || !strings.Contains(got.out, "Entry 4 of the clinic's audit log tells of it.") {
		t.Errorf("with -confirm: status %d, %s%s", got.code, got.out, got.err)
	}
	if got := play(t, env, "", order(client, "-confirm")...); got.code != exitFailed || !strings.Contains(got.err, "erased before") {
		t.Errorf("again: status %d, %s%s", got.code, got.out, got.err)
	}
	if got := play(t, env, "", "audit", "check"); got.code != exitOK {
		t.Errorf("audit check afterwards: status %d, %s%s", got.code, got.out, got.err)
	}
	env[eraserURLVariable] = db.ServiceURL
	if got := play(t, env, "", order(other, "-confirm")...); got.code != exitFailed || !strings.Contains(got.err, "may not erase") || strings.Contains(got.err, db.ServiceURL) {
		t.Errorf("as the service: status %d, %s%s", got.code, got.out, got.err)
	}
}

// fillForErase stores a clinic with two clients, of whom the second is under a legal hold.
func fillForErase(t *testing.T, env map[string]string, clinic, client, other string) {
	t.Helper()
	w, _ := testWorld(env, "")
	keys, err := readKeys(env["PONDERAL_KEYS_FOLDER"])
	if err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(t.Context(), store.Options{URL: env["PONDERAL_DATABASE_URL"], MaxConns: 2})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	cases, err := newCases(t.Context(), w, st, keys, env["PONDERAL_LOG_NAME"], nil)
	if err != nil {
		t.Fatal(err)
	}
	p := authn.Principal{TokenID: "019a0000-0000-7000-8000-0000000000aa", Network: true, ClinicID: clinic, Roles: []record.Role{record.RoleNetworkAdmin}, Role: record.RoleNetworkAdmin}
	_, err = cases.PutClinic(t.Context(), p, record.Clinic{ID: clinic, Name: "Invented Clinic", DisplayUnit: mass.Pound}, 0)
	for _, id := range []string{client, other} {
		if err == nil {
			_, err = cases.PutClient(t.Context(), p, record.Client{ID: id, GivenName: "Pat", FamilyName: "Example", BirthDate: "1980-03-05"}, 0)
		}
	}
	if err == nil {
		_, err = cases.PutLegalHold(t.Context(), p, record.LegalHold{ID: other, ClientID: other, Reason: "a suit"}, 0)
	}
	if err != nil {
		t.Fatal(err)
	}
}
