package localpg

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/moby/moby/api/types/container"
	"github.com/testcontainers/testcontainers-go"
	"github.com/testcontainers/testcontainers-go/log"
)

const containerPort = "5432/tcp"

// errNoEngine says that this machine has no container engine that answers.
var errNoEngine = errors.New("no container engine")

// startContainer runs the image in a container engine. The engine's own helper
// that clears up after a killed process is used unless the caller's environment
// switches it off (TESTCONTAINERS_RYUK_DISABLED, read by the library).
func startContainer(ctx context.Context, o Options) (*Server, error) {
	engine, err := newEngine()
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errNoEngine, err)
	}
	defer func() { _ = engine.Close() }()
	if err := engine.Health(ctx); err != nil {
		return nil, fmt.Errorf("%w: %w", errNoEngine, err)
	}
	made, err := newSecrets(o.Random)
	if err != nil {
		return nil, fmt.Errorf("local postgres: %w", err)
	}
	o.Progress("starting a container of image " + o.Image)
	box, err := testcontainers.Run(ctx, o.Image, containerOptions(o, made)...)
	discard := func(ctx context.Context) error {
		return testcontainers.TerminateContainer(box, testcontainers.StopContext(ctx))
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("local postgres: run image %s: %w", o.Image, err), discard(context.WithoutCancel(ctx)))
	}
	s, err := containerServer(ctx, o, made, box)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("local postgres: image %s: %w", o.Image, err), discard(context.WithoutCancel(ctx)))
	}
	s.stop = discard
	return s, nil
}

// newEngine makes the library's client. The library panics where it finds no
// engine; that is turned into the error it means.
func newEngine() (engine *testcontainers.DockerProvider, err error) {
	defer func() {
		if said := recover(); said != nil {
			err = fmt.Errorf("find container engine: %v", said)
		}
	}()
	engine, err = testcontainers.NewDockerProvider(testcontainers.WithLogger(log.NewNoopLogger()))
	if err != nil {
		return nil, fmt.Errorf("find container engine: %w", err)
	}
	return engine, nil
}

func containerOptions(o Options, made secrets) []testcontainers.ContainerCustomizer {
	args := []string{"postgres", "-c", "max_connections=" + strconv.Itoa(o.MaxConnections),
		"-c", "log_min_error_statement=panic", "-c", "log_error_verbosity=terse"}
	if o.NoFsync {
		for _, s := range noFsyncSettings() {
			args = append(args, "-c", s)
		}
	}
	return []testcontainers.ContainerCustomizer{
		testcontainers.WithLogger(log.NewNoopLogger()),
		testcontainers.WithExposedPorts(containerPort),
		testcontainers.WithEnv(map[string]string{"POSTGRES_USER": superuser, "POSTGRES_PASSWORD": made.Superuser}),
		testcontainers.WithCmd(args...),
		testcontainers.WithHostConfigModifier(func(h *container.HostConfig) { h.AutoRemove = true }),
	}
}

// loopback is tried beside the host that the library names: a program that is
// itself in a container, next to an engine of its own, is told its gateway.
const loopback = "127.0.0.1"

func containerServer(ctx context.Context, o Options, made secrets, box *testcontainers.DockerContainer) (*Server, error) {
	host, err := box.Host(ctx)
	if err != nil {
		return nil, fmt.Errorf("find container's host: %w", err)
	}
	port, err := box.MappedPort(ctx, containerPort)
	if err != nil {
		return nil, fmt.Errorf("find container's port: %w", err)
	}
	admin := url.URL{
		Scheme: "postgres", User: url.UserPassword(superuser, made.Superuser),
		Path: "/postgres", RawQuery: "sslmode=disable",
	}
	addresses := []string{net.JoinHostPort(host, port.Port()), net.JoinHostPort(loopback, port.Port())}
	if admin.Host, err = awaitLogin(ctx, admin, addresses); err != nil {
		return nil, err
	}
	return &Server{
		describe: fmt.Sprintf("a private Postgres on %s in a container of image %s, its data in the container (removed at the end)", admin.Host, o.Image),
		admin:    admin,
		secrets:  made,
		random:   func() (string, error) { return randomText(o.Random, 6) },
	}, nil
}

// awaitLogin tries the addresses in turn until a login works, and gives the one
// where it did. An open port is not enough: the engine's proxy opens it before the
// server listens.
func awaitLogin(ctx context.Context, admin url.URL, addresses []string) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, startLimit)
	defer cancel()
	var last error
	for {
		for _, address := range addresses {
			admin.Host = address
			if last = tryLogin(ctx, admin.String()); last == nil {
				return address, nil
			}
		}
		select {
		case <-ctx.Done():
			return "", fmt.Errorf("wait for Postgres: %w (last try: %w)", ctx.Err(), last)
		case <-time.After(pollEvery):
		}
	}
}

// tryLogin gives up soon: an address that leads nowhere must not hold up the
// others.
func tryLogin(ctx context.Context, address string) error {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, address)
	if err != nil {
		return err
	}
	closeConn(ctx, conn)
	return nil
}
