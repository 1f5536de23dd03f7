package localpg

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

const (
	superuser = "ponderal_admin"
	// startLimit is for a slow machine that recovers a kept cluster.
	startLimit = 60 * time.Second
	pollEvery  = 15 * time.Millisecond
	// portTries: a port that was free may be taken before Postgres listens.
	portTries = 5
	// longestSocketDir keeps folder + "/.s.PGSQL.65535" within the 103 bytes
	// that every system allows in a socket's name.
	longestSocketDir = 103 - len("/.s.PGSQL.65535")
)

// cluster is a private cluster and the programs that run it.
type cluster struct {
	opts     Options
	acc      account
	programs programs
	folder   *folder
	port     int
	// pickPort gives a port that is free now; it may be taken a moment later.
	pickPort func(context.Context) (int, error)
}

// startCluster makes (or reopens) a private cluster and starts it.
func startCluster(ctx context.Context, o Options, acc account, found []programs) (*Server, error) {
	f, err := openFolder(o, acc)
	if err != nil {
		return nil, fmt.Errorf("local postgres: %w", err)
	}
	c := &cluster{opts: o, acc: acc, folder: f, pickPort: freePort}
	pm, err := c.start(ctx, found)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("local postgres: %w", err), f.release())
	}
	return c.server(pm), nil
}

// server is what Start gives of a private cluster that runs.
func (c *cluster) server(pm *postmaster) *Server {
	r := &running{cluster: c, pm: pm}
	return &Server{
		describe: c.describe(),
		admin:    c.adminURL(),
		secrets:  c.folder.secrets,
		random:   func() (string, error) { return randomText(c.opts.Random, 6) },
		running:  r,
		stop: func(ctx context.Context) error {
			stopErr := r.end(ctx)
			return errors.Join(stopErr, c.folder.release())
		},
	}
}

func (c *cluster) describe() string {
	fate := "removed at the end"
	if c.folder.kept {
		fate = "kept"
	}
	return fmt.Sprintf("a private Postgres %s on 127.0.0.1:%d, run by %s from %s, its data in %s (%s)",
		c.programs.version, c.port, c.acc.name, c.programs.dir, c.folder.path, fate)
}

func (c *cluster) adminURL() url.URL {
	return url.URL{
		Scheme:   "postgres",
		User:     url.UserPassword(superuser, c.folder.secrets.Superuser),
		Host:     net.JoinHostPort("127.0.0.1", strconv.Itoa(c.port)),
		Path:     "/postgres",
		RawQuery: "sslmode=disable",
	}
}

func (c *cluster) start(ctx context.Context, found []programs) (*postmaster, error) {
	if err := c.choosePrograms(found); err != nil {
		return nil, err
	}
	if err := c.ensureData(ctx); err != nil {
		return nil, err
	}
	if pid := c.folder.serverPID(); pid != 0 {
		return nil, fmt.Errorf("process %d still serves %s, left by a ponderal that was killed: stop it with: kill -INT %d", pid, c.folder.path, pid)
	}
	c.opts.Progress("starting Postgres " + c.programs.version)
	for try := 1; ; try++ {
		pm, err := c.startOnFreePort(ctx)
		if err == nil || try == portTries || !errors.Is(err, errPortTaken) {
			return pm, err
		}
	}
}

// choosePrograms takes the best installation, or for a cluster that exists the
// best of its own major version, as no other can read it.
func (c *cluster) choosePrograms(found []programs) error {
	c.programs = found[0]
	text, err := os.ReadFile(c.folder.join(dataName + "/PG_VERSION"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("read the version of the kept data: %w", err)
	}
	major := strings.TrimSpace(string(text))
	for _, p := range found {
		if p.major == major {
			c.programs = p
			return nil
		}
	}
	return fmt.Errorf("the data kept in %s was made by Postgres %s, but only version %s is installed", c.folder.path, major, found[0].version)
}

// ensureData makes the cluster if it is not there. It is made under another name
// and renamed when complete, so that a cut-short attempt is never started.
func (c *cluster) ensureData(ctx context.Context) error {
	if _, err := os.Stat(c.folder.join(dataName)); err == nil {
		return nil
	}
	c.opts.Progress("making a private Postgres data folder in " + c.folder.path)
	if err := os.RemoveAll(c.folder.join(dataNewName)); err != nil {
		return fmt.Errorf("remove an incomplete data folder: %w", err)
	}
	if err := c.initdb(ctx); err != nil {
		return err
	}
	if err := os.Rename(c.folder.join(dataNewName), c.folder.join(dataName)); err != nil {
		return fmt.Errorf("put data folder in place: %w", err)
	}
	return nil
}

func (c *cluster) initdb(ctx context.Context) (err error) {
	pwfile := c.folder.join("password.tmp")
	if err := os.WriteFile(pwfile, []byte(c.folder.secrets.Superuser+"\n"), 0o600); err != nil {
		return fmt.Errorf("write password file: %w", err)
	}
	defer func() { err = errors.Join(err, os.Remove(pwfile)) }()
	if err := c.acc.give(pwfile); err != nil {
		return err
	}
	args := []string{
		"-D", c.folder.join(dataNewName), "-U", superuser, "-E", "UTF8", "--locale=C",
		"--auth=scram-sha-256", "--pwfile=" + pwfile,
	}
	if !c.folder.kept {
		// Nobody wants a temporary folder after a loss of power.
		args = append(args, "--no-sync")
	}
	if c.opts.NoFsync {
		args = append(args, "--wal-segsize=1")
	}
	cmd := exec.CommandContext(ctx, c.programs.path("initdb"), args...)
	c.prepare(cmd)
	out, err := cmd.CombinedOutput()
	if errors.Is(err, fs.ErrPermission) {
		return fmt.Errorf("%s cannot reach %s: choose a folder whose parents everybody may enter, such as one in /var/tmp: %w", c.acc.name, c.folder.path, err)
	}
	if err != nil {
		return fmt.Errorf("run initdb: %w: %s", err, tail(string(out)))
	}
	return nil
}

// prepare gives a program the account, the folder and an environment free of
// the user's own Postgres settings.
func (c *cluster) prepare(cmd *exec.Cmd) {
	c.acc.apply(cmd)
	cmd.Dir = c.folder.path
	cmd.Env = []string{"LC_ALL=C", "PATH=" + c.programs.dir + string(os.PathListSeparator) + "/usr/bin:/bin"}
}

var errPortTaken = errors.New("the port was taken")

func (c *cluster) startOnFreePort(ctx context.Context) (*postmaster, error) {
	port, err := c.pickPort(ctx)
	if err != nil {
		return nil, err
	}
	c.port = port
	log, err := os.Create(c.folder.join(logName))
	if err != nil {
		return nil, fmt.Errorf("make server log: %w", err)
	}
	cmd := exec.Command(c.programs.path("postgres"), c.serverArgs()...)
	cmd.Stdout, cmd.Stderr = log, log
	c.prepare(cmd)
	bindToParent(cmd)
	pm, err := runPostmaster(cmd)
	// The child has its own descriptor of the log.
	if err := errors.Join(err, log.Close()); err != nil {
		return nil, err
	}
	if err := c.awaitReady(ctx, pm); err != nil {
		stopErr := pm.stop(context.WithoutCancel(ctx), !c.folder.kept)
		return nil, errors.Join(err, stopErr)
	}
	return pm, nil
}

// serverArgs: the log names errors but repeats neither statements nor row
// values, which may describe people.
func (c *cluster) serverArgs() []string {
	sockets := c.folder.path
	if len(sockets) > longestSocketDir || strings.ContainsAny(sockets, `,"@`) {
		sockets = ""
	}
	settings := []string{
		"listen_addresses=127.0.0.1", "port=" + strconv.Itoa(c.port),
		"unix_socket_directories=" + sockets, "unix_socket_permissions=0700",
		"max_connections=" + strconv.Itoa(c.opts.MaxConnections),
		"timezone=UTC", "log_timezone=UTC", "logging_collector=off",
		"log_min_error_statement=panic", "log_error_verbosity=terse",
	}
	if c.opts.NoFsync {
		settings = append(settings, noFsyncSettings()...)
	}
	settings = append(settings, c.opts.Settings...)
	args := []string{"-D", c.folder.join(dataName)}
	for _, s := range settings {
		args = append(args, "-c", s)
	}
	return args
}

// noFsyncSettings give up all safety against a crash of the machine.
func noFsyncSettings() []string {
	return []string{
		"fsync=off", "synchronous_commit=off", "full_page_writes=off",
		"wal_level=minimal", "max_wal_senders=0", "max_wal_size=1GB", "autovacuum=off",
	}
}

// awaitReady returns when the server answers a login, or says why it ended. The
// end of the server cuts a try short: whoever has the port in its place may
// accept and never answer.
func (c *cluster) awaitReady(ctx context.Context, pm *postmaster) error {
	ctx, cancel := context.WithTimeout(ctx, startLimit)
	defer cancel()
	go func() {
		select {
		case <-pm.exited:
			cancel()
		case <-ctx.Done():
		}
	}()
	address := c.adminURL()
	for {
		conn, err := pgx.Connect(ctx, address.String())
		if err == nil {
			return conn.Close(ctx)
		}
		select {
		case <-pm.exited:
		case <-ctx.Done():
		case <-time.After(pollEvery):
		}
		if pm.gone() {
			return c.startFailure()
		}
		if ctx.Err() != nil {
			return fmt.Errorf("wait for Postgres: %w (last try: %w)", ctx.Err(), err)
		}
	}
}

// startFailure reads the log, which is the only place where Postgres says why
// it did not start.
func (c *cluster) startFailure() error {
	text, err := os.ReadFile(c.folder.join(logName))
	if err != nil {
		return fmt.Errorf("postgres ended at once, and its log cannot be read: %w", err)
	}
	said := string(text)
	if strings.Contains(said, "could not create any TCP/IP sockets") {
		return fmt.Errorf("%w: %s", errPortTaken, tail(said))
	}
	return fmt.Errorf("postgres ended at once: %s", tail(said))
}

// freePort asks the system for a loopback port that nobody uses now.
func freePort(ctx context.Context) (int, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp4", "127.0.0.1:0")
	if err != nil {
		return 0, fmt.Errorf("find a free port: %w", err)
	}
	addr, ok := l.Addr().(*net.TCPAddr)
	if err := l.Close(); err != nil {
		return 0, fmt.Errorf("free the port: %w", err)
	}
	if !ok {
		return 0, fmt.Errorf("find a free port: unexpected address %v", l.Addr())
	}
	return addr.Port, nil
}

// tail is the end of a program's output, enough to see what was wrong.
func tail(text string) string {
	const enough = 1500
	text = strings.TrimSpace(text)
	if len(text) > enough {
		text = "..." + text[len(text)-enough:]
	}
	return text
}
