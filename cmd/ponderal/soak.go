package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"

	"ponderal.example/internal/auditcheck"
	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn/factor"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/localpg"
	"ponderal.example/internal/record"
	"ponderal.example/internal/soak"
	"ponderal.example/internal/store"
	"ponderal.example/migrations"
)

const soakLogName = "soak.ponderal.example"

// byClock is the word by which soak's own child serves with a clock that a file moves. It is soak's alone: a service has the machine's clock.
const byClock = "serve-by-clock"

func soakCommand() command {
	return command{
		name:  "soak",
		about: "Run the service under faults for a long time, and check after each that nothing was lost or doubled.",
		detail: `Starts a private Postgres (fsync on) and the service as a process of its own, pushes sessions from several stations over
proxies, and in each round does one thing to them: kill -9 of the service, of Postgres or of both; a network that is cut,
slow or half-open before the service or before Postgres; the service's clock set back. After each round it reads back:
every acknowledged session is there exactly once with the same content, every other one absent or whole, every audit
log intact. Exit status 1 when a promise was broken. The same seed does the same faults; when they hit is the machine's.

With -pair: two replicas of the service over a primary with a synchronous standby. The primary is killed while stations
push, the standby promoted, and the replicas find it by themselves; then they are restarted in turn under load.`,
		examples: []string{"ponderal soak -rounds 200", "ponderal soak -quick -json", "ponderal soak -pair"},
		run:      runSoak,
	}
}

func runSoak(ctx context.Context, w world, f *flags) error {
	if len(f.args) == 2 && f.args[0] == byClock {
		return serveByClock(ctx, w, f.args[1])
	}
	rounds := f.Int("rounds", 200, "how many `ROUNDS` there are")
	seed := f.Uint64("seed", 0, "`SEED` of what is done; 0 takes one from the clock")
	quick := f.Bool("quick", false, "8 rounds")
	pair := f.Bool("pair", false, "two replicas over a primary and its synchronous standby")
	asJSON := f.Bool("json", false, "write the report as JSON")
	if err := f.read(0, 0); err != nil {
		return err
	}
	if *rounds < 1 {
		return usagef("-rounds is at least 1")
	}
	if *quick {
		*rounds = 8
	}
	if *seed == 0 {
		*seed = uint64(w.now().UnixNano())
	}
	exe, err := os.Executable()
	if err != nil {
		return err
	}
	s := soaking{world: w, command: []string{exe}, rounds: *rounds, seed: *seed, pair: *pair}
	report, err := s.run(ctx)
	if report != nil {
		if writeErr := writeSoakReport(w, report, *asJSON); writeErr != nil {
			return errors.Join(err, writeErr)
		}
	}
	if errors.Is(err, soak.ErrBroken) {
		return errFound
	}
	return orInterrupted(ctx, err)
}

func writeSoakReport(w world, r soakReport, asJSON bool) error {
	if asJSON {
		return r.WriteJSON(w.stdout)
	}
	return r.WriteText(w.stdout)
}

// soaking is one soak with what it starts.
type soaking struct {
	world world
	// command is this program with what its own environment needs besides.
	command []string
	env     []string
	rounds  int
	seed    uint64
	pair    bool

	dir      string
	keys     keyFolder
	servers  []*localpg.Server
	database string
	marks    map[string]auditcheck.Mark
}

// soakReport is what either kind of soak reports.
type soakReport interface {
	WriteJSON(io.Writer) error
	WriteText(io.Writer) error
}

// run starts what the soak needs, soaks and removes everything but, after an error, the service's log.
func (s *soaking) run(ctx context.Context) (report soakReport, err error) {
	if s.dir, err = os.MkdirTemp("", "ponderal-soak-"); err != nil {
		return nil, err
	}
	defer func() {
		for _, pg := range s.servers {
			stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), usualStop)
			err = errors.Join(err, pg.Close(stop))
			cancel()
		}
		if err != nil {
			fmt.Fprintf(s.world.stderr, "the service's log is in %s\n", s.dir)
			return
		}
		err = os.RemoveAll(s.dir)
	}()
	o, err := s.prepare(ctx)
	if err != nil {
		return nil, err
	}
	if s.pair {
		r, err := soak.RunPair(ctx, o)
		return r, err
	}
	r, err := soak.Run(ctx, o)
	return r, err
}

// prepare makes keys, servers and schema, and the first token as an operator at the machine's console.
func (s *soaking) prepare(ctx context.Context) (soak.Options, error) {
	none := soak.Options{}
	keysDir := filepath.Join(s.dir, "keys")
	err := makeKeys(s.world, keysDir)
	if err != nil {
		return none, err
	}
	if s.keys, err = readKeys(keysDir); err != nil {
		return none, err
	}
	secret, err := factor.NewLine(s.world.random, "soak")
	if err != nil {
		return none, err
	}
	secretFile := filepath.Join(s.dir, "second-factor.key")
	if err := os.WriteFile(secretFile, []byte(secret), 0o600); err != nil {
		return none, err
	}
	if err := s.startServers(ctx); err != nil {
		return none, err
	}
	admin, err := s.firstToken(ctx)
	if err != nil {
		return none, err
	}
	o := soak.Options{Rounds: s.rounds, Seed: s.seed, Clinics: 3, Stations: 2, Command: append(s.command, "serve"), ShiftedCommand: append(s.command, "soak", byClock),
		Env: append(s.env, "PONDERAL_KEYS_FOLDER="+keysDir, "PONDERAL_LOG_NAME="+soakLogName, "PONDERAL_SECOND_FACTOR_KEY_FILE="+secretFile,
			"PONDERAL_RATE_LIMIT_PER_MINUTE=1000000", "PONDERAL_RATE_LIMIT_ADDRESS_PER_MINUTE=1000000"),
		Dir: s.dir, DatabaseURL: s.databaseURL, Admin: admin, Check: s.check, Now: s.world.now,
		NewID: func() uuid.UUID { return newID(s.world) }, Progress: s.world.stderr}
	for _, pg := range s.servers {
		o.Servers = append(o.Servers, pg)
	}
	return o, nil
}

func (s *soaking) startServers(ctx context.Context) error {
	say := func(line string) { fmt.Fprintln(s.world.stderr, line) }
	// A restart after a crash first replays what the last checkpoint does not hold.
	pg, err := localpg.Start(ctx, localpg.Options{Random: s.world.random, Progress: say, NoContainer: true, Settings: []string{"checkpoint_timeout=60s"}})
	if err != nil {
		return err
	}
	s.servers = append(s.servers, pg)
	database, ownerURL, err := pg.MainDatabase(ctx)
	if err != nil {
		return err
	}
	s.database = database
	if err := migrations.Up(ctx, ownerURL); err != nil {
		return err
	}
	if err := migrations.GrantLogin(ctx, ownerURL, pg.ServicePassword()); err != nil {
		return err
	}
	if !s.pair {
		return nil
	}
	say("making a synchronous standby")
	standby, err := pg.Standby(ctx)
	if err != nil {
		return err
	}
	s.servers = append(s.servers, standby)
	return nil
}

// databaseURL is that of the service's role over the servers at the addresses.
func (s *soaking) databaseURL(addresses []string, settings string) string {
	u := url.URL{Scheme: "postgres", User: url.UserPassword(migrations.ServiceRole, s.servers[0].ServicePassword()), Host: strings.Join(addresses, ","),
		Path: "/" + s.database, RawQuery: "sslmode=disable" + settings}
	return u.String()
}

func (s *soaking) openStore(ctx context.Context) (*store.Store, error) {
	var addresses []string
	for _, pg := range s.servers {
		addresses = append(addresses, pg.Address())
	}
	return store.Open(ctx, store.Options{URL: s.databaseURL(addresses, "&target_session_attrs=read-write&connect_timeout=2"), MaxConns: 4})
}

func (s *soaking) firstToken(ctx context.Context) (string, error) {
	st, err := s.openStore(ctx)
	if err != nil {
		return "", err
	}
	defer st.Close()
	log, err := auditlog.New(ctx, auditlog.Options{Name: soakLogName, Key: s.keys.log, Ring: s.keys.ring, Now: s.world.now, Rand: s.world.random})
	if err != nil {
		return "", err
	}
	cases, err := casework.New(ctx, casework.Options{Store: st, Log: log, ResultKey: s.keys.result, Ring: s.keys.ring, Now: s.world.now, Rand: s.world.random})
	if err != nil {
		return "", err
	}
	_, secret, err := cases.BootstrapToken(ctx, casework.NewToken{Label: "soak", Roles: []record.Role{record.RoleNetworkAdmin},
		ExpiresAt: record.TimeOf(s.world.now().Add(7 * 24 * time.Hour))})
	return secret, err
}

// check checks every log from where the check before ended.
func (s *soaking) check(ctx context.Context, whole bool) ([]string, error) {
	st, err := s.openStore(ctx)
	if err != nil {
		return nil, err
	}
	defer st.Close()
	o := auditcheck.Options{Store: st, Ring: s.keys.ring, LogName: soakLogName}
	if s.marks == nil || whole {
		s.marks = map[string]auditcheck.Mark{}
	}
	for _, m := range s.marks {
		o.From = append(o.From, m)
	}
	o.Save = func(m auditcheck.Mark) error { s.marks[m.Clinic] = m; return nil }
	report, err := auditcheck.Run(ctx, o)
	if err != nil {
		return nil, err
	}
	var found []string
	for _, p := range report.Problems {
		found = append(found, fmt.Sprintf("audit log of clinic %s: %s %s: %s", p.Clinic, p.Table, p.Key, p.What))
	}
	return found, nil
}

// serveByClock is serve with a clock that is off by the duration that the file holds, which is read anew all the time. Differences of times move with it too: it is
// harsher than a machine's clock.
func serveByClock(ctx context.Context, w world, path string) error {
	var off atomic.Int64
	read := func() error {
		text, err := os.ReadFile(path)
		if err != nil {
			return fmt.Errorf("read the clock: %w", err)
		}
		d, err := time.ParseDuration(string(text))
		if err != nil {
			return fmt.Errorf("read the clock: %w", err)
		}
		off.Store(int64(d))
		return nil
	}
	if err := read(); err != nil {
		return err
	}
	machine := w.now
	w.now = func() time.Time { return machine().Round(0).Add(time.Duration(off.Load())) }
	ctx, cancel := context.WithCancelCause(ctx)
	var watching sync.WaitGroup
	watching.Go(func() {
		for ctx.Err() == nil {
			if err := read(); err != nil {
				cancel(err)
			}
			time.Sleep(20 * time.Millisecond)
		}
	})
	defer watching.Wait()
	defer cancel(nil)
	served := runServe(ctx, w, newFlags(serveCommand()).from(nil))
	if cause := context.Cause(ctx); cause != nil && !errors.Is(cause, context.Canceled) {
		return errors.Join(served, cause)
	}
	return served
}
