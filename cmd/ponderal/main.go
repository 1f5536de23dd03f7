// Command ponderal is the whole service in one binary: `ponderal demo` plays a day of an invented network, `ponderal serve` serves,
// `ponderal verify` checks a signed result without any network. `ponderal help` lists the rest.
package main

import (
	"context"
	"crypto/rand"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"

	containerlog "github.com/testcontainers/testcontainers-go/log"
)

func main() {
	started := time.Now()
	// The container engine's library tells its own story on standard error, in the middle of ours.
	containerlog.SetDefault(containerlog.NewNoopLogger())
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	w := world{stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr, lookup: os.LookupEnv, environ: os.Environ(), now: time.Now, random: rand.Reader, started: started,
		terminal: isTerminal(os.Stdout)}
	// A second interrupt ends the process at once: the first one's clean-up may be what hangs.
	context.AfterFunc(ctx, stop)
	code := run(ctx, w, os.Args[1:])
	stop()
	os.Exit(code)
}

// world is all that a subcommand may use of the machine, files and network apart.
type world struct {
	stdin          io.Reader
	stdout, stderr io.Writer
	lookup         func(string) (string, bool)
	// environ are the NAME=value pairs that lookup looks in.
	environ []string
	now     func() time.Time
	random  io.Reader
	// started is when the process began; terminal says whether stdout is one.
	started  time.Time
	terminal bool
}

// env is a variable of the environment, empty when it is not set.
func (w world) env(name string) string {
	value, _ := w.lookup(name)
	return value
}

func isTerminal(f *os.File) bool {
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
