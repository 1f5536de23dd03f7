package main

import (
	"context"
	"flag"
	"fmt"
	"slices"
	"strings"
	"time"

	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

func keysCommand() command {
	return command{
		name:      "keys",
		arguments: "[list | prepare | rotate | retire | compromised] DIR",
		about:     "Make the folder with the keys that sign results and audit logs; rotate, retire and mark keys.",
		detail: `Without a word before it, makes DIR with result.pem and log.pem, for the owner's eyes only. Keep a copy of the folder where
you would keep a seal. The word says what else to do:

  list         name the keys: id, use, state, since when
  prepare      make the key to follow for -use USE and publish it; it does not sign yet
  rotate       let the prepared key of -use USE sign, or a new one, and retire the former; what that signed verifies for ever
  retire       say that the key -id ID signs no more; what it signed verifies for ever
  compromised  say that somebody else may hold the key -id ID -from MOMENT on. Verification then refuses its results from
               that moment on, and takes older ones only where the audit log shows that they are. A log key's heads
               are not believed for entries from that moment on. The moment can be moved back later, never forward

Each but list prints the public key set (JWKS) for the payers, with these marks; -print does only that. The service
reads the folder when it starts, and does not start with a key that is retired or compromised.

To rotate without a gap: prepare; put the folder on every replica, restart them one by one, and have payers fetch the key
set; then rotate, and the same again. A replica that has not heard of a key does not show results by it. When a key may
have leaked: mark it compromised from the last moment when it was surely safe, rotate its use, put the folder on every
replica, restart them, have payers fetch the key set, and sign what is in doubt again.`,
		examples: []string{
			"ponderal keys /etc/ponderal/keys > keys.json", "ponderal keys list /etc/ponderal/keys",
			"ponderal keys prepare -use result /etc/ponderal/keys > keys.json", "ponderal keys rotate -use result /etc/ponderal/keys > keys.json",
			"ponderal keys compromised -id KEY_ID -from 2026-03-01T00:00:00Z /etc/ponderal/keys > keys.json",
		},
		run: runKeys,
	}
}

// keysWord is what the word before DIR asks for, with the flags that it takes.
type keysWord struct {
	name  string
	flags []string
	run   func(w world, dir string, o keysOptions) error
}

// keysOptions are the flags' values.
type keysOptions struct {
	use      seal.Use
	id, from string
}

// keysWords are in the order of the help; the first is the command without a word.
func keysWords() []keysWord {
	return []keysWord{
		{"", []string{"print"}, func(w world, dir string, _ keysOptions) error { return makeKeys(w, dir) }},
		{"list", nil, listKeys},
		{"prepare", []string{"use"}, prepare},
		{"rotate", []string{"use"}, rotate},
		{"retire", []string{"id"}, retire},
		{"compromised", []string{"id", "from"}, compromised},
	}
}

func runKeys(_ context.Context, w world, f *flags) error {
	printOnly := f.Bool("print", false, "print the public key set of an existing folder, and change nothing")
	use := f.String("use", "", "with prepare and rotate: the `USE` of the key to replace, result or log")
	id := f.String("id", "", "with retire and compromised: the `ID` of the key, as list names it")
	from := f.String("from", "", "with compromised: the `MOMENT` (RFC 3339, such as 2026-03-01T00:00:00Z) from which somebody else may hold the key")
	word, err := readWord(f)
	if err != nil {
		return err
	}
	if err := word.check(f); err != nil {
		return err
	}
	dir := f.Arg(f.NArg() - 1)
	if !*printOnly {
		if err := word.run(w, dir, keysOptions{seal.Use(*use), *id, *from}); err != nil {
			return err
		}
	}
	if word.name == "list" {
		return nil
	}
	keys, err := readKeys(dir)
	if err != nil {
		return err
	}
	text, err := keys.ring.JWKS()
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w.stdout, "%s\n", text)
	return err
}

// readWord takes the word, which people write before the flags or after them, and parses the rest. A folder that is called as a word is written
// with its path.
func readWord(f *flags) (keysWord, error) {
	words := keysWords()
	word, names := words[0], []string{}
	known := func(name string) bool {
		i := slices.IndexFunc(words[1:], func(k keysWord) bool { return k.name == name })
		if i >= 0 {
			word = words[1+i]
		}
		return i >= 0
	}
	if len(f.args) > 0 && known(f.args[0]) {
		f.args = f.args[1:]
	}
	if err := f.read(0, 1<<10); err != nil {
		return keysWord{}, err
	}
	folders := f.NArg()
	if word.name == "" && folders > 1 && known(f.Arg(0)) {
		folders--
	}
	for _, k := range words[1:] {
		names = append(names, k.name)
	}
	switch {
	case word.name == "" && folders > 1:
		return keysWord{}, usagef("there is no %q%s: %s", f.Arg(0), nearest(f.Arg(0), names), f.command.arguments)
	case folders != 1:
		return keysWord{}, usagef("got %d folders, want one: %s", folders, f.command.arguments)
	}
	return word, nil
}

// check wants every flag of the word, -print apart, and no other.
func (k keysWord) check(f *flags) error {
	given := map[string]bool{}
	f.Visit(func(g *flag.Flag) { given[g.Name] = true })
	for name := range given {
		if !slices.Contains(k.flags, name) {
			if k.name == "" {
				return usagef("-%s does not go without a word before the folder: %s", name, f.command.arguments)
			}
			return usagef("-%s does not go with %s", name, k.name)
		}
	}
	for _, name := range k.flags {
		if name != "print" && !given[name] {
			return usagef("%s: -%s is required", k.name, name)
		}
	}
	return nil
}

// listKeys names the keys in use first. The state is the gravest one, and since says when that began, as far as it is known.
func listKeys(w world, dir string, _ keysOptions) error {
	k, err := readKeys(dir)
	if err != nil {
		return err
	}
	fmt.Fprintf(w.stdout, "%-43s  %-6s  %-11s  %s\n", "ID", "USE", "STATE", "SINCE")
	for _, key := range k.ring.Keys() {
		state, since := "signs", k.state.of(key.ID).Since
		current := key.ID == k.result.ID || key.ID == k.log.ID
		switch {
		case !key.CompromisedFrom.IsZero():
			state, since = "compromised", record.TimeOf(key.CompromisedFrom)
		case key.ID == k.next[key.Use].ID && key.RetiredAt.IsZero():
			state = "next"
		case !key.RetiredAt.IsZero() || !current:
			state, since = "retired", record.TimeOf(key.RetiredAt)
		}
		text := since.String()
		if since.IsZero() {
			text = "unknown"
		}
		if _, err := fmt.Fprintf(w.stdout, "%-43s  %-6s  %-11s  %s\n", key.ID, key.Use, state, text); err != nil {
			return err
		}
	}
	if err := k.maySign(); err != nil {
		fmt.Fprintf(w.stderr, "%v\n", err)
	}
	return nil
}

func prepare(w world, dir string, o keysOptions) error {
	if !o.use.Valid() {
		return usagef("-use %q: the uses are result and log", o.use)
	}
	made, err := prepareKey(w, dir, o.use)
	if err != nil {
		return err
	}
	fmt.Fprintf(w.stderr, "%s key %s is prepared. Put the folder on every replica, restart them, have payers fetch the key set; then: ponderal keys rotate -use %s %s\n",
		o.use, made.ID, o.use, dir)
	return nil
}

func rotate(w world, dir string, o keysOptions) error {
	if !o.use.Valid() {
		return usagef("-use %q: the uses are result and log", o.use)
	}
	was, is, err := rotateKey(w, dir, o.use)
	if err != nil {
		return err
	}
	fmt.Fprintf(w.stderr, "%s key %s signs from the next start on, %s is retired. Put the folder on every replica, restart them, and have payers fetch the key set again.\n", o.use, is.ID, was.ID)
	return nil
}

func retire(w world, dir string, o keysOptions) error {
	if err := retireKey(w, dir, o.id); err != nil {
		return err
	}
	return tellStanding(w, dir, o.id)
}

func compromised(w world, dir string, o keysOptions) error {
	from, err := time.Parse(time.RFC3339Nano, strings.ToUpper(o.from))
	if err != nil || from.IsZero() {
		return usagef("-from %q: want a moment with its zone (RFC 3339), such as 2026-03-01T00:00:00Z", o.from)
	}
	if from.After(w.now()) {
		return usagef("-from %s lies ahead: say when it may have begun, now at the latest", o.from)
	}
	if err := compromiseKey(dir, o.id, from); err != nil {
		return err
	}
	return tellStanding(w, dir, o.id)
}

// tellStanding says what the key's state is now, and what is to be done where it is a key in use.
func tellStanding(w world, dir, id string) error {
	k, err := readKeys(dir)
	if err != nil {
		return err
	}
	for _, key := range k.ring.Keys() {
		if key.ID == id {
			fmt.Fprintf(w.stderr, "%s.\n", standing(key))
		}
	}
	if err := k.maySign(); err != nil {
		fmt.Fprintf(w.stderr, "The service does not start with this folder: %v\n", err)
	}
	return nil
}

func standing(k seal.PublicKey) string {
	text := fmt.Sprintf("%s key %s", k.Use, k.ID)
	if !k.RetiredAt.IsZero() {
		text += " is retired since " + seal.FormatMoment(k.RetiredAt)
	}
	if !k.CompromisedFrom.IsZero() {
		if !k.RetiredAt.IsZero() {
			text += " and"
		}
		text += " is marked compromised from " + seal.FormatMoment(k.CompromisedFrom)
	}
	return text
}
