package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// mostDays is the longest that a token works.
const mostDays = 400

func tokenCommand() command {
	return command{
		name:  "token",
		about: "Make a token at the machine's console, straight in the database: the first administrator's, above all.",
		detail: `Prints the token, once; the database keeps its hash only. Its entry in the audit log names the console operator. With
neither -clinic nor -payer it is a token of the network. Everyone else's tokens are better made by an administrator
through the API. Reads the same settings as ` + "`ponderal serve`" + ` (database, keys folder, log name).`,
		examples: []string{`ponderal token -role network_admin -label "first administrator" -days 7`,
			`ponderal token -role clinic_admin -clinic CLINIC_ID -member MEMBER_ID -label "C. Administrator"`},
		run: runToken,
	}
}

func runToken(ctx context.Context, w world, f *flags) error {
	roles := f.String("role", "", "`ROLE`, or several with commas: "+roleNames())
	label := f.String("label", "", "what the holder is called in the audit log (`TEXT`)")
	days := f.Int("days", 30, "how many days it works, at most 400")
	clinic := f.String("clinic", "", "`ID` of the clinic that it is bound to")
	member := f.String("member", "", "`ID` of the member that it is for")
	payer := f.String("payer", "", "`ID` of the payer that it is for")
	path := f.String("config", "", "JSON `FILE` with settings")
	if err := f.read(0, 0); err != nil {
		return err
	}
	in := casework.NewToken{ClinicID: *clinic, PayerID: *payer, MemberID: *member, Label: *label, ExpiresAt: record.TimeOf(w.now().Add(time.Duration(*days) * 24 * time.Hour))}
	var err error
	if in.Roles, err = readRoles(*roles); err != nil {
		return err
	}
	if in.Label == "" {
		return usagef("-label is required: the audit log names the holder by it")
	}
	if *days < 1 || *days > mostDays {
		return usagef("-days %d: from 1 to %d", *days, mostDays)
	}
	return makeToken(ctx, w, *path, in)
}

func makeToken(ctx context.Context, w world, configPath string, in casework.NewToken) error {
	c, err := readConfig(w, configPath)
	if err != nil {
		return err
	}
	keys, err := readKeys(c.KeysFolder)
	if err != nil {
		return err
	}
	st, err := store.Open(ctx, store.Options{URL: c.DatabaseURL.Reveal(), MaxConns: 1})
	if err != nil {
		return err
	}
	defer st.Close()
	cases, err := newCases(ctx, w, st, keys, c.LogName, nil)
	if err != nil {
		return err
	}
	made, secret, err := cases.BootstrapToken(ctx, in)
	if err != nil {
		return err
	}
	fmt.Fprintf(w.stderr, "token %s works until %s; it is shown this once:\n", made.Value.Token.ID, made.Value.Token.ExpiresAt)
	_, err = fmt.Fprintln(w.stdout, secret)
	return err
}

func readRoles(text string) ([]record.Role, error) {
	if text == "" {
		return nil, usagef("-role is required: %s", roleNames())
	}
	known := map[string]record.Role{}
	var all []string
	for _, r := range record.Roles() {
		known[string(r)] = r
		all = append(all, string(r))
	}
	var roles []record.Role
	for _, name := range strings.Split(text, ",") {
		role, ok := known[strings.TrimSpace(name)]
		if !ok {
			return nil, usagef("there is no role %q%s", name, nearest(name, all))
		}
		roles = append(roles, role)
	}
	return roles, nil
}

func roleNames() string {
	var all []string
	for _, r := range record.Roles() {
		all = append(all, string(r))
	}
	return strings.Join(all, ", ")
}
