package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
)

// The exit statuses.
const (
	exitOK = iota
	// exitFailed: it could not be done, or a check found something.
	exitFailed
	// exitUsage: the command line is not understood.
	exitUsage
)

// command is one subcommand. about is one line for the list; the rest is shown by its -h.
type command struct {
	name, arguments, about, detail string
	examples                       []string
	run                            func(ctx context.Context, w world, f *flags) error
}

// commands lists every subcommand in the order of `ponderal help`.
func commands() []command {
	return []command{
		demoCommand(), serveCommand(), migrateCommand(), keysCommand(), tokenCommand(), identityCommand(), verifyCommand(), auditCommand(), eraseCommand(), scoreCommand(), adviseCommand(), taskCommand(),
		loadCommand(), soakCommand(), healthCommand(), versionCommand(),
	}
}

// errFound is a check that found something and has said so already: exit status 1 without a further message.
var errFound = errors.New("the check found something")

// usageError is a command line that is not understood.
type usageError struct{ text string }

func (e *usageError) Error() string { return e.text }

func usagef(format string, args ...any) error { return &usageError{fmt.Sprintf(format, args...)} }

// run runs one subcommand and returns the exit status.
func run(ctx context.Context, w world, args []string) int {
	if len(args) == 0 {
		writeHelp(w.stderr)
		return exitUsage
	}
	name, rest := args[0], args[1:]
	switch name {
	case "help", "-h", "-help", "--help":
		return help(ctx, w, rest)
	}
	c, ok := find(name)
	if !ok {
		fmt.Fprintf(w.stderr, "ponderal: there is no %q%s\n`ponderal help` lists what there is.\n", name, nearest(name, names()))
		return exitUsage
	}
	f := newFlags(c)
	f.SetOutput(io.Discard)
	return status(w, f, c.run(ctx, w, f.from(rest)))
}

// status turns the outcome of a subcommand into an exit status, with a message where one is due.
func status(w world, f *flags, err error) int {
	var usage *usageError
	switch {
	case err == nil:
		return exitOK
	case errors.Is(err, flag.ErrHelp):
		f.help(w.stdout)
		return exitOK
	case errors.Is(err, errFound):
		return exitFailed
	case errors.As(err, &usage):
		fmt.Fprintf(w.stderr, "ponderal %s: %s\n`ponderal %s -h` explains it.\n", f.command.name, usage.text, f.command.name)
		return exitUsage
	}
	fmt.Fprintf(w.stderr, "ponderal %s: %v\n", f.command.name, err)
	return exitFailed
}

func help(ctx context.Context, w world, args []string) int {
	if len(args) == 0 {
		writeHelp(w.stdout)
		return exitOK
	}
	return run(ctx, w, []string{args[0], "-h"})
}

func writeHelp(out io.Writer) {
	fmt.Fprint(out, `Ponderal keeps the tests of what an injured worker can lift, carry, push and pull, scores them, and hands
signed results to the insurer.

  ponderal SUBCOMMAND [flags]

`)
	for _, c := range commands() {
		fmt.Fprintf(out, "  %-8s %s\n", c.name, c.about)
	}
	fmt.Fprint(out, "\n`ponderal SUBCOMMAND -h` explains one, with an example. Begin with: ponderal demo\n")
}

func find(name string) (command, bool) {
	for _, c := range commands() {
		if c.name == name {
			return c, true
		}
	}
	return command{}, false
}

func names() []string {
	var all []string
	for _, c := range commands() {
		all = append(all, c.name)
	}
	return append(all, "help")
}

// flags are the flags of one subcommand.
type flags struct {
	*flag.FlagSet
	command command
	args    []string
}

func newFlags(c command) *flags {
	return &flags{FlagSet: flag.NewFlagSet(c.name, flag.ContinueOnError), command: c}
}

func (f *flags) from(args []string) *flags {
	f.args = args
	return f
}

// read parses the command line once every flag is declared, and wants from least to most further arguments.
func (f *flags) read(least, most int) error {
	if err := f.Parse(f.args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return err
		}
		return f.explain(err)
	}
	if n := f.NArg(); n < least || n > most {
		if most == 0 {
			return usagef("%q is not understood: it takes flags only", f.Arg(0))
		}
		return usagef("got %d arguments, want %s", n, f.command.arguments)
	}
	return nil
}

const undefined = "flag provided but not defined: -"

// explain adds the nearest flag to a message about one that is not there.
func (f *flags) explain(err error) error {
	name, ok := strings.CutPrefix(err.Error(), undefined)
	if !ok {
		return usagef("%v", err)
	}
	var all []string
	f.VisitAll(func(g *flag.Flag) { all = append(all, "-"+g.Name) })
	return usagef("there is no flag -%s%s", name, nearest("-"+name, all))
}

// help writes what -h shows.
func (f *flags) help(out io.Writer) {
	c := f.command
	line := "ponderal " + c.name
	has := false
	f.VisitAll(func(*flag.Flag) { has = true })
	if has {
		line += " [flags]"
	}
	if c.arguments != "" {
		line += " " + c.arguments
	}
	fmt.Fprintf(out, "%s\n\n%s\n", line, c.detail)
	if has {
		fmt.Fprintln(out, "\nFlags:")
		f.SetOutput(out)
		f.PrintDefaults()
	}
	fmt.Fprintln(out, "\nFor example:")
	for _, example := range c.examples {
		fmt.Fprintf(out, "  %s\n", example)
	}
}
