package e2e

import (
	"context"
	"errors"
	"flag"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"ponderal.example/internal/pgtest"
)

const (
	// insideWord is the argument by which this program knows that it runs where it may mount: the folder follows it.
	insideWord = "small-disk"
	// smallDisk is the size of the disk that gets full: the empty schema needs a few megabytes.
	smallDisk = "size=24m"
	// room is what is left of it when the pushes begin.
	room = 512 << 10
	// capSysAdmin is CAP_SYS_ADMIN, see capabilities(7): what a mount needs.
	capSysAdmin = 21
)

// TestDiskFull has the database's disk fill up. The test runs itself again where it may mount a small disk that nobody else sees: in a mount namespace
// and, for who is not root, a user namespace of its own (see unshare(2)).
func TestDiskFull(t *testing.T) {
	if flag.Arg(0) == insideWord {
		onFullDisk(t, flag.Arg(1))
		return
	}
	t.Parallel()
	ctx, cancel := context.WithTimeout(context.Background(), 90*time.Second)
	defer cancel()
	disk := t.TempDir()
	for dir := disk; dir != filepath.Dir(dir) && dir != os.TempDir(); dir = filepath.Dir(dir) {
		// Postgres may run as another user than this test.
		if err := os.Chmod(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.CommandContext(ctx, must(os.Executable())(t), "-test.run=^TestDiskFull$", "-test.v", insideWord, disk)
	// A server that runs elsewhere would not see the disk.
	cmd.Env = slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, pgtest.URLVariable+"=") })
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNS}
	if uid, gid := os.Geteuid(), os.Getegid(); uid != 0 {
		cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNS | syscall.CLONE_NEWUSER, AmbientCaps: []uintptr{capSysAdmin},
			UidMappings: []syscall.SysProcIDMap{{ContainerID: uid, HostID: uid, Size: 1}},
			GidMappings: []syscall.SysProcIDMap{{ContainerID: gid, HostID: gid, Size: 1}}}
	}
	out, err := cmd.CombinedOutput()
	if errors.Is(err, syscall.EPERM) {
		t.Fatalf("this machine lets neither root nor an ordinary user make a mount namespace, in which this test has its small disk: %v", err)
	}
	if err != nil || !strings.Contains(string(out), "--- PASS: TestDiskFull") {
		t.Fatalf("%v\n%s", err, out)
	}
	for line := range strings.Lines(string(out)) {
		if strings.Contains(line, "_test.go:") {
			t.Log(strings.TrimSpace(line))
		}
	}
}

// onFullDisk is the test itself. The tables and indexes lie on the small disk, the write-ahead log does not.
func onFullDisk(t *testing.T, disk string) {
	if err := syscall.Mount("none", "/", "", syscall.MS_REC|syscall.MS_PRIVATE, ""); err != nil {
		t.Fatalf("keep mounts to this test: %v", err)
	}
	if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, smallDisk+",mode=0755"); err != nil {
		t.Fatalf("this machine does not let this user mount a small disk: %v", err)
	}
	defer func() { _ = syscall.Unmount(disk, syscall.MNT_DETACH) }()
	s := newScene(t)
	s.moveTo(disk)
	asked := s.prepared(100)
	free := fill(t, disk)

	var stored []int
	n := 1000
	for ; n < 5000; n++ {
		before := s.stored()
		_, err := s.push(s.calls["station"], session(t, s.digest, n))
		if err == nil {
			stored = append(stored, n)
			continue
		}
		refused(t, change{method: "SessionService/PushSession"}, err, "UNAVAILABLE")
		if got := s.since(before); got != "" {
			t.Errorf("on a full disk %s was stored", got)
		}
		break
	}
	if n == 5000 {
		t.Fatal("the disk does not get full")
	}
	failed := s.eachWholeOrNot(asked)
	s.readsGoOn()
	s.ready200()

	free()
	must(s.push(s.calls["station"], session(t, s.digest, n)))(t)
	s.allMade(failed)
	for _, n := range append(stored, n) {
		s.once(east, id("5e", n))
	}
	s.whole()
	t.Logf("%d sessions fitted; then %d of %d kinds of change were refused", len(stored), len(failed), len(asked))
	if len(stored) == 0 || len(failed) == 0 {
		t.Error("the disk was full too early or too late to show anything")
	}
}

// moveTo puts every table and index of the schema on the disk.
func (s *scene) moveTo(disk string) {
	t := s.t
	t.Helper()
	folder := filepath.Join(disk, "space")
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	info := must(os.Stat(s.ask("SHOW data_directory")[0]))(t)
	owner, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		t.Fatal("the data folder has no owner")
	}
	if err := os.Chown(folder, int(owner.Uid), int(owner.Gid)); err != nil {
		t.Fatal(err)
	}
	must(s.super.Exec(s.ctx, "CREATE TABLESPACE small LOCATION '"+folder+"'"))(t)
	for _, statement := range s.ask(`SELECT format('ALTER %s %s SET TABLESPACE small', CASE relkind WHEN 'i' THEN 'INDEX' ELSE 'TABLE' END, oid::regclass)
		FROM pg_class WHERE relnamespace = 'ponderal'::regnamespace AND relkind IN ('r', 'i')`) {
		must(s.super.Exec(s.ctx, statement))(t)
	}
}

// fill takes what is left of the disk but for some room, and returns what gives it back.
func fill(t *testing.T, disk string) (free func()) {
	t.Helper()
	name := filepath.Join(disk, "filler")
	f := must(os.Create(name))(t)
	_, err := io.Copy(f, endless{})
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("fill the disk: %v", err)
	}
	if err := errors.Join(f.Truncate(must(f.Stat())(t).Size()-room), f.Close()); err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
}

// endless is a reader without an end.
type endless struct{}

func (endless) Read(b []byte) (int, error) { return len(b), nil }

// eachWholeOrNot asks for each change once, and returns those that were refused. What still finds room in a page is made whole.
func (s *scene) eachWholeOrNot(asked []prepared) (failed []prepared) {
	s.t.Helper()
	for _, a := range asked {
		before := s.stored()
		out, err := s.request(s.ctx, a.change, a.in)
		got := s.since(before)
		if err == nil {
			if !strings.Contains(got, "audit_entry+1") {
				s.t.Errorf("%s is answered as made, and %q was stored", a.method, got)
			}
			continue
		}
		failed = append(failed, a)
		refused(s.t, a.change, err, "UNAVAILABLE")
		if got != "" || proto.Size(out) > 0 {
			s.t.Errorf("%s on a full disk: %s was stored, and answered %v", a.method, got, out)
		}
	}
	return failed
}

// ready200: what reads can be served, and the check of readiness says so and no more.
func (s *scene) ready200() {
	s.t.Helper()
	resp := must(http.Get("http://" + s.at.REST + "/readyz"))(s.t)
	defer func() { _ = resp.Body.Close() }()
	body := must(io.ReadAll(resp.Body))(s.t)
	if resp.StatusCode != http.StatusOK || strings.Contains(string(body), "space") {
		s.t.Errorf("readiness: %d %s", resp.StatusCode, body)
	}
}
