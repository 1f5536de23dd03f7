package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// eraserURLVariable names the database as a login that is a member of ponderal_eraser: for erase and for nothing else.
const eraserURLVariable = "PONDERAL_ERASER_DATABASE_URL"

// saltLength is how many random bytes an audit entry is hashed with.
const saltLength = 32

func eraseCommand() command {
	return command{
		name:  "erase",
		about: "Erase one client on lawful demand; without -confirm it only says what would go.",
		detail: `Takes the content of all that is stored of one client of one clinic: client, referrals, releases, sessions, findings,
results, and the content of the audit entries that wrote them. It cannot be undone. The log proves as before, an entry
tells who asked and on which basis, and what payers hold already is listed: they keep it.

Refused while a legal hold is on the client or the clinic, and until the clinic's retention period has run out. Whether
the demand is lawful, and which law keeps records for how long, is for the clinic and its counsel to say: local law comes
first. The entry stays for ever: name the demand and who asked by role and reference, not by the client's name.

The database is named by ` + eraserURLVariable + `, as a login that is a member of
ponderal_eraser, which can do this and nothing else. Backups, archives of the write-ahead log and standbys that lag keep
what they have until they expire: see to them.`,
		examples: []string{
			`ponderal erase -clinic CLINIC_ID -client CLIENT_ID -demand "erasure under ..., letter of 3 March" -asked-by "the client"`,
			`ponderal erase -clinic CLINIC_ID -client CLIENT_ID -demand "..." -asked-by "the client" -confirm`,
		},
		run: runErase,
	}
}

func runErase(ctx context.Context, w world, f *flags) error {
	o := store.Erasure{At: record.TimeOf(w.now()).Std()}
	f.StringVar(&o.ClinicID, "clinic", "", "`ID` of the clinic")
	f.StringVar(&o.ClientID, "client", "", "`ID` of the client")
	f.StringVar(&o.Demand, "demand", "", "the legal basis of the demand and its reference, as `TEXT`")
	f.StringVar(&o.AskedBy, "asked-by", "", "who asked, by role and reference, as `TEXT`")
	f.StringVar(&o.Operator, "operator", "", "who runs this, as `TEXT` (usually the name of the account)")
	f.BoolVar(&o.Confirmed, "confirm", false, "yes, erase: it cannot be undone")
	url := f.String("url", "", "database `URL` of the eraser (usually "+eraserURLVariable+", so that other users do not see it)")
	if err := f.read(0, 0); err != nil {
		return err
	}
	if o.Operator == "" {
		o.Operator = w.env("USER")
	}
	if o.Operator == "" {
		return usagef("who runs this? USER names no account: give -operator, it stands in the audit log")
	}
	for _, given := range []struct{ name, value string }{
		{"clinic", o.ClinicID}, {"client", o.ClientID}, {"demand", o.Demand}, {"asked-by", o.AskedBy}, {"operator", o.Operator},
	} {
		if strings.TrimSpace(given.value) == "" {
			return usagef("-%s is required: it stands in the audit log", given.name)
		}
	}
	if *url == "" {
		*url = w.env(eraserURLVariable)
	}
	if *url == "" {
		return usagef("which database? Set %s or give -url", eraserURLVariable)
	}
	o.Salt = make([]byte, saltLength)
	if _, err := io.ReadFull(w.random, o.Salt); err != nil {
		return fmt.Errorf("read randomness: %w", err)
	}
	done, err := store.Erase(ctx, *url, o)
	if err != nil {
		return err
	}
	return writeErased(w.stdout, o, done)
}

// writeErased says what went, or would go, and who holds what already.
func writeErased(out io.Writer, o store.Erasure, done store.Erased) error {
	var b strings.Builder
	if o.Confirmed {
		fmt.Fprintf(&b, "Erased from clinic %s, of client %s:\n", o.ClinicID, o.ClientID)
	} else {
		fmt.Fprintf(&b, "This would erase from clinic %s, of client %s:\n", o.ClinicID, o.ClientID)
	}
	for _, rows := range done.Rows {
		fmt.Fprintf(&b, "  %6d  %s\n", rows.Count, strings.ReplaceAll(rows.Kind, "_", " "))
	}
	if len(done.Held) == 0 {
		b.WriteString("No payer was shown a result.\n")
	} else {
		b.WriteString("Payers hold already, and keep:\n")
	}
	for _, h := range done.Held {
		fmt.Fprintf(&b, "  payer %s  result %s  shown %d times, first %s\n", h.PayerID, h.ResultID, h.Times, record.TimeOf(h.First))
	}
	if o.Confirmed {
		fmt.Fprintf(&b, "Entry %d of the clinic's audit log tells of it. Backups and archives keep what they have until they expire.\n", done.Entry)
	} else {
		b.WriteString("Nothing was changed. To erase, run the same with -confirm: it cannot be undone.\n")
	}
	if _, err := io.WriteString(out, b.String()); err != nil {
		return fmt.Errorf("write what was erased: %w", err)
	}
	return nil
}
