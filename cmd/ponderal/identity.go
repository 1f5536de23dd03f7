package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"ponderal.example/internal/authn/factor"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

func identityCommand() command {
	return command{
		name:  "identity",
		about: "Bind a login or an OpenID subject at the machine's console, straight in the database: the first administrator's, above all.",
		detail: `Binds -login, or -issuer with -subject, to a -member of a -clinic, or without them to a person of the network with a
-name and one or more of -role. For a login it prints a setup code, once, which its holder gives to SetUpSignIn within a
day. With -id the identity is there already and gets a new setup code. Entries in the audit log name the console operator.
Everyone else's identities are better bound by an administrator through the API. Reads the same settings as ` + "`ponderal" + `
serve` + "`" + `; a login needs second_factor_key_file, whose first key -new-key makes.`,
		examples: []string{`ponderal identity -new-key 2026-03 > /etc/ponderal/second-factor.key`,
			`ponderal identity -login n.admin -name "N. Administrator" -role network_admin -reason "first administrator"`,
			`ponderal identity -clinic CLINIC_ID -member MEMBER_ID -issuer https://id.example -subject 248289761001`,
			`ponderal identity -clinic CLINIC_ID -id IDENTITY_ID -reason "lost the phone"`},
		run: runIdentity,
	}
}

// identityFlags are the flags' values.
type identityFlags struct {
	config, clinic, reason string
	identity               record.Identity
}

func runIdentity(ctx context.Context, w world, f *flags) error {
	var in identityFlags
	f.StringVar(&in.clinic, "clinic", "", "`ID` of the member's clinic")
	f.StringVar(&in.identity.MemberID, "member", "", "`ID` of the member that it is for")
	f.StringVar(&in.identity.NetworkName, "name", "", "printed `NAME` of a person of the network")
	roles := f.String("role", "", "`ROLE` of a person of the network, or both with a comma: network_admin, network_auditor")
	f.StringVar(&in.identity.Login, "login", "", "`LOGIN`: lower case, one of its kind in the clinic")
	f.StringVar(&in.identity.Issuer, "issuer", "", "`URL` of the issuer of ID tokens")
	f.StringVar(&in.identity.Subject, "subject", "", "`TEXT` by which the issuer names the person")
	f.StringVar(&in.identity.ID, "id", "", "`ID` of an identity that is there already")
	f.StringVar(&in.reason, "reason", "set up at the console", "why, for the audit log (`TEXT`)")
	f.StringVar(&in.config, "config", "", "JSON `FILE` with settings")
	newKey := f.String("new-key", "", "print the line of a new key with that `ID` for the second factor key file, and do nothing else")
	if err := f.read(0, 0); err != nil {
		return err
	}
	if *newKey != "" {
		line, err := factor.NewLine(w.random, *newKey)
		if err == nil {
			_, err = fmt.Fprint(w.stdout, line)
		}
		return err
	}
	if *roles != "" {
		var err error
		if in.identity.NetworkRoles, err = readRoles(*roles); err != nil {
			return err
		}
	}
	if err := in.check(); err != nil {
		return err
	}
	return bindIdentity(ctx, w, in)
}

func (in identityFlags) check() error {
	i := in.identity
	switch bound := i.Login != "" || i.Issuer != "" || i.Subject != ""; {
	case i.ID != "" && (bound || i.MemberID != "" || i.NetworkName != ""):
		return usagef("-id names an identity that is there: it goes with -clinic and -reason alone")
	case i.ID == "" && !bound:
		return usagef("-login, or -issuer with -subject, is required")
	case i.Login != "" && i.Issuer != "", (i.Issuer == "") != (i.Subject == ""):
		return usagef("bind either -login, or -issuer with -subject")
	case i.ID == "" && (i.MemberID == "") == (i.NetworkName == ""):
		return usagef("an identity is for a -member of a -clinic, or for a person of the network with a -name")
	case (i.MemberID == "") != (in.clinic == "") && i.ID == "":
		return usagef("-member and -clinic go together")
	}
	return nil
}

func bindIdentity(ctx context.Context, w world, in identityFlags) error {
	c, err := readConfig(w, in.config)
	if err != nil {
		return err
	}
	keys, err := readKeys(c.KeysFolder)
	if err != nil {
		return err
	}
	s, err := signInsOf(c)
	if err != nil {
		return err
	}
	if in.identity.Issuer == "" && !s.secrets.Any() {
		return errors.New("second_factor_key_file must be set for a login: make it with `ponderal identity -new-key ID > FILE`")
	}
	st, err := store.Open(ctx, store.Options{URL: c.DatabaseURL.Reveal(), MaxConns: 1})
	if err != nil {
		return err
	}
	defer st.Close()
	signIn, err := s.cases(ctx, w, st, nobodyTries{})
	if err != nil {
		return err
	}
	cases, err := newCases(ctx, w, st, keys, c.LogName, signIn)
	if err != nil {
		return err
	}
	return in.bind(ctx, w, cases)
}

func (in identityFlags) bind(ctx context.Context, w world, cases *casework.Casework) error {
	i := in.identity
	if i.ID == "" {
		i.ID = newID(w).String()
		made, err := cases.BootstrapIdentity(ctx, in.clinic, i)
		if err != nil {
			return err
		}
		fmt.Fprintf(w.stderr, "identity %s is bound\n", made.Value.Identity.ID)
		if i.Login == "" {
			return nil
		}
	}
	code, err := cases.BootstrapSetupCode(ctx, in.clinic, i.ID, in.reason)
	if err != nil {
		return err
	}
	fmt.Fprintf(w.stderr, "its setup code works until %s; it is shown this once:\n", code.ExpiresAt)
	_, err = fmt.Fprintln(w.stdout, code.Code)
	return err
}

// nobodyTries are the attempts at the console, where nobody signs in: each is refused.
type nobodyTries struct{}

func (nobodyTries) Allow(context.Context, string) error { return os.ErrPermission }

func (nobodyTries) Failed(context.Context, string) (bool, error) { return false, os.ErrPermission }

func (nobodyTries) Succeeded(context.Context, string) error { return os.ErrPermission }
