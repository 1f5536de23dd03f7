package main

import (
	"context"
	"fmt"

	"ponderal.example/internal/seal"
)

func keysCommand() command {
	return command{
		name:      "keys",
		arguments: "DIR",
		about:     "Make the folder with the keys that sign results and audit logs; print the public key set.",
		detail: `Makes DIR with result.pem and log.pem, for the owner's eyes only, and prints the public key set (JWKS) that payers
keep. With -print the folder stays as it is. With -rotate USE the key of that use is replaced; the old one's public
half stays in the set, so that what it signed verifies. Keep a copy of the folder where you would keep a seal.`,
		examples: []string{"ponderal keys /etc/ponderal/keys > keys.json", "ponderal keys -rotate result /etc/ponderal/keys"},
		run:      runKeys,
	}
}

func runKeys(_ context.Context, w world, f *flags) error {
	printOnly := f.Bool("print", false, "print the public key set of an existing folder")
	rotate := f.String("rotate", "", "replace the key of a `USE`: result or log")
	if err := f.read(1, 1); err != nil {
		return err
	}
	dir := f.Arg(0)
	if *printOnly && *rotate != "" {
		return usagef("-print and -rotate do not go together")
	}
	if *rotate != "" && !seal.Use(*rotate).Valid() {
		return usagef("-rotate %q: the uses are result and log", *rotate)
	}
	var err error
	switch {
	case *printOnly:
	case *rotate != "":
		err = rotateKey(dir, seal.Use(*rotate), w.random)
	default:
		err = makeKeys(dir, w.random)
	}
	if err != nil {
		return err
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
