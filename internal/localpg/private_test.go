//go:build unix

package localpg

import (
	"context"
	"errors"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/iotest"
	"time"

	"github.com/jackc/pgx/v5"
)

func TestPrivateServerServesAndLeavesNothing(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	o := quick(dir)
	o.MaxConnections = 17
	var told []string
	o.Progress = func(line string) { told = append(told, line) }
	s := mustStart(t, o)
	if len(told) < 2 {
		t.Errorf("progress = %q, want a line for the data folder and one for the start", told)
	}
	for _, want := range []string{"private Postgres", "127.0.0.1:", dir, "removed at the end"} {
		if !strings.Contains(s.Describe(), want) {
			t.Errorf("Describe() = %q, lacks %q", s.Describe(), want)
		}
	}
	if got := queryOne[string](t, s.AdminURL(""), "SHOW max_connections"); got != "17" {
		t.Errorf("max_connections = %s, want 17", got)
	}
	checkOwner(t, s)

	folders := privateFolders(t, dir)
	if len(folders) != 1 {
		t.Fatalf("folders = %v, want one", folders)
	}
	checkPrivate(t, folders[0])
	mustClose(t, s)
	if left := privateFolders(t, dir); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
	if accepts(t, s.AdminURL("")) {
		t.Error("the port is still open after Close")
	}
	mustClose(t, s) // again: no effect
}

// checkOwner: the owner may make tables and roles, but is no superuser.
func checkOwner(t *testing.T, s *Server) {
	t.Helper()
	name, owner, err := s.MainDatabase(limited(t))
	if err != nil {
		t.Fatalf("MainDatabase: %v", err)
	}
	if name != "ponderal" {
		t.Errorf("main database = %q, want ponderal", name)
	}
	mustExec(t, owner, "CREATE SCHEMA x")
	mustExec(t, owner, "CREATE ROLE made_by_owner NOLOGIN")
	const strong = "SELECT rolsuper OR rolbypassrls OR rolcreatedb OR rolreplication FROM pg_roles WHERE rolname = current_user"
	if queryOne[bool](t, owner, strong) {
		t.Error("the owner role has rights beyond making roles")
	}
	if got := queryOne[string](t, owner, "SELECT current_user::text"); got != OwnerRole {
		t.Errorf("owner logs in as %q", got)
	}
	if _, err := s.CreateDatabase(limited(t), name); !hasCode(err, codeDuplicateDatabase) {
		t.Errorf("creating a database twice: %v, want SQLSTATE %s", err, codeDuplicateDatabase)
	}
	again, _, err := s.MainDatabase(limited(t))
	if err != nil || again != name {
		t.Errorf("MainDatabase again = %q, %v", again, err)
	}
}

// checkPrivate: nobody else may look into the folder, and a wrong password is refused.
func checkPrivate(t *testing.T, folder string) {
	t.Helper()
	info, err := os.Stat(folder)
	if err != nil {
		t.Fatal(err)
	}
	if info.Mode().Perm() != 0o700 {
		t.Errorf("folder mode = %v, want 0700", info.Mode().Perm())
	}
	m, err := os.Stat(filepath.Join(folder, markerName))
	if err != nil {
		t.Fatal(err)
	}
	if m.Mode().Perm() != 0o600 {
		t.Errorf("marker mode = %v, want 0600", m.Mode().Perm())
	}
}

func accepts(t *testing.T, address string) bool {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := net.DialTimeout("tcp", u.Host, time.Second)
	if err != nil {
		return false
	}
	return conn.Close() == nil
}

func TestWrongPasswordIsRefused(t *testing.T) {
	t.Parallel()
	s := mustStart(t, quick(publicDir(t)))
	conn, err := pgx.Connect(limited(t), s.RoleURL(superuser, "not the password", "postgres"))
	if err == nil {
		closeConn(context.Background(), conn)
	}
	if !hasCode(err, codeInvalidPassword) {
		t.Errorf("login with a wrong password: %v, want SQLSTATE %s", err, codeInvalidPassword)
	}
}

// TestOrdinaryUser runs the first test again, as an unprivileged user where this
// process is root: what works for root must work for everybody.
func TestOrdinaryUser(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	binary := copySelf(t, dir)
	cmd := exec.CommandContext(limited(t), binary, "-test.run=^TestPrivateServerServesAndLeavesNothing$", "-test.v")
	cmd.Dir = dir
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "TMPDIR=" + dir}
	acc, err := serverAccount()
	if err != nil {
		t.Fatal(err)
	}
	if acc.other {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(acc.uid), Gid: uint32(acc.gid)}}
	}
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("as %s: %v\n%s", acc.name, err, out)
	}
	if !strings.Contains(string(out), "--- PASS: TestPrivateServerServesAndLeavesNothing") {
		t.Errorf("as %s the test did not run:\n%s", acc.name, out)
	}
}

// copySelf puts the test binary where every account can run it.
func copySelf(t *testing.T, dir string) string {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	content, err := os.ReadFile(self)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "localpg.test")
	if err := os.WriteFile(path, content, 0o755); err != nil { //nolint:gosec // it must be executable by others
		t.Fatal(err)
	}
	return path
}

func TestTakenPortIsTriedAgain(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	acc, found := accountAndPrograms(t)
	o, err := quick(publicDir(t)).withDefaults()
	if err != nil {
		t.Fatal(err)
	}
	f, err := openFolder(o, acc)
	if err != nil {
		t.Fatal(err)
	}
	picks := 0
	c := &cluster{opts: o, acc: acc, folder: f, pickPort: func(ctx context.Context) (int, error) {
		picks++
		if picks < portTries {
			return l.Addr().(*net.TCPAddr).Port, nil
		}
		return freePort(ctx)
	}}
	pm, err := c.start(limited(t), found)
	if err != nil {
		t.Fatalf("start with a free port at the last try: %v", err)
	}
	if picks != portTries {
		t.Errorf("ports picked = %d, want %d", picks, portTries)
	}
	if err := errors.Join(pm.stop(limited(t), true), f.release()); err != nil {
		t.Error(err)
	}
}

func TestPortTakenEveryTimeIsAnError(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	acc, found := accountAndPrograms(t)
	o, err := quick(publicDir(t)).withDefaults()
	if err != nil {
		t.Fatal(err)
	}
	f, err := openFolder(o, acc)
	if err != nil {
		t.Fatal(err)
	}
	c := &cluster{opts: o, acc: acc, folder: f, pickPort: func(context.Context) (int, error) {
		return l.Addr().(*net.TCPAddr).Port, nil
	}}
	if _, err := c.start(limited(t), found); !errors.Is(err, errPortTaken) {
		t.Errorf("start = %v, want errPortTaken", err)
	}
	if err := f.release(); err != nil {
		t.Error(err)
	}
}

func accountAndPrograms(t *testing.T) (account, []programs) {
	t.Helper()
	acc, err := serverAccount()
	if err != nil {
		t.Fatal(err)
	}
	found := findPrograms(limited(t), nil, acc)
	if len(found) == 0 {
		t.Fatal("no Postgres programs here; ", installAdvice())
	}
	return acc, found
}

func TestCancelledStartLeavesNothing(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	ctx, cancel := context.WithCancel(context.Background())
	o := quick(dir)
	o.Progress = func(string) { cancel() } // at the first step
	if s, err := Start(ctx, o); err == nil {
		mustClose(t, s)
		t.Fatal("Start with a cancelled context gave a server")
	}
	if left := privateFolders(t, dir); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestNoRandomnessIsAnError(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	o := quick(dir)
	broken := errors.New("no entropy")
	o.Random = iotest.ErrReader(broken)
	if _, err := Start(limited(t), o); !errors.Is(err, broken) {
		t.Errorf("Start = %v, want %v", err, broken)
	}
	if left := privateFolders(t, dir); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}
