package localpg

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"sync"
)

// Server is a Postgres to work with. Its methods may be called from several
// goroutines at once.
type Server struct {
	describe string
	admin    url.URL // superuser, maintenance database
	secrets  secrets
	borrowed bool // somebody else's server: what was made is dropped at Close
	random   func() (string, error)
	stop     func(context.Context) error
	running  *running // the processes of a private server; nil of any other

	mu   sync.Mutex
	made map[string]bool // databases made on a borrowed server

	closing  sync.Once
	closeErr error
}

// ErrNoPostgres is what Start's error is when no source can give a Postgres.
var ErrNoPostgres = errors.New("no Postgres found")

// Start gives a running Postgres, by the first source that is there (see the
// package comment). The caller must Close it. ctx bounds the start only.
func Start(ctx context.Context, opts Options) (*Server, error) {
	o, err := opts.withDefaults()
	if err != nil {
		return nil, err
	}
	if o.URL != "" {
		return borrow(ctx, o)
	}
	acc, err := serverAccount()
	if err != nil {
		return nil, fmt.Errorf("local postgres: %w", err)
	}
	found := findPrograms(ctx, o.BinDirs, acc)
	if len(found) > 0 {
		return startCluster(ctx, o, acc, found)
	}
	if o.KeepDir != "" {
		return nil, fmt.Errorf("%w: keeping data in %s needs the Postgres programs on this machine; %s", ErrNoPostgres, o.KeepDir, installAdvice())
	}
	if o.NoContainer {
		return nil, fmt.Errorf("%w on this machine; %s", ErrNoPostgres, installAdvice())
	}
	s, err := startContainer(ctx, o)
	if errors.Is(err, errNoEngine) {
		return nil, fmt.Errorf("%w: neither Postgres programs nor a container engine on this machine; %s", ErrNoPostgres, installAdvice())
	}
	return s, err
}

// Describe says in one line, for people, which Postgres is used and where its
// data is. It holds no password.
func (s *Server) Describe() string { return s.describe }

// AdminURL is the URL of a database for the superuser (of a borrowed server:
// for the user that the caller gave). An empty name means the maintenance
// database.
func (s *Server) AdminURL(database string) string {
	return withDatabase(s.admin, database)
}

// OwnerURL is the URL of a database for the role that owns it and runs the
// migrations.
func (s *Server) OwnerURL(database string) string {
	return s.RoleURL(OwnerRole, s.secrets.Owner, database)
}

// RoleURL is the URL of a database for any role.
func (s *Server) RoleURL(role, password, database string) string {
	u := s.admin
	u.User = url.UserPassword(role, password)
	return withDatabase(u, database)
}

// ServicePassword is the password to give to the service's role on this server.
// It stays the same for a kept folder, and for every process that borrows the
// same server with the same admin password, so that they do not
// lock each other out.
func (s *Server) ServicePassword() string { return s.secrets.Service }

// Close ends the server: a private one is stopped and, unless kept, its folder
// removed; on a borrowed one everything made here is dropped. A private server
// gets until ctx ends (10 s at most) to stop in good order and is then stopped hard,
// so a context of its own is needed when the caller's has ended. Calling it again
// gives the same result.
func (s *Server) Close(ctx context.Context) error {
	s.closing.Do(func() {
		if err := s.stop(ctx); err != nil {
			s.closeErr = fmt.Errorf("close local postgres: %w", err)
		}
	})
	return s.closeErr
}

func withDatabase(u url.URL, database string) string {
	if database != "" {
		u.Path = "/" + database
	}
	return u.String()
}
