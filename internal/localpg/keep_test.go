//go:build unix

package localpg

import (
	"context"
	"crypto/rand"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

func keeping(dir string) Options {
	return Options{KeepDir: dir, NoContainer: true, Random: rand.Reader}
}

func TestKeptFolderIsFoundAgain(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(publicDir(t), "deep", "kept")
	first := mustStart(t, keeping(dir))
	if !strings.Contains(first.Describe(), "(kept)") {
		t.Errorf("Describe() = %q, does not say that the data is kept", first.Describe())
	}
	if got := queryOne[string](t, first.AdminURL(""), "SHOW fsync"); got != "on" {
		t.Errorf("fsync = %s, want on", got)
	}
	_, owner, err := first.MainDatabase(limited(t))
	if err != nil {
		t.Fatal(err)
	}
	mustExec(t, owner, "CREATE SCHEMA k")
	mustExec(t, owner, "CREATE TABLE k.t AS SELECT 42 AS n")
	mustClose(t, first)

	second := mustStart(t, keeping(dir))
	_, owner, err = second.MainDatabase(limited(t))
	if err != nil {
		t.Fatal(err)
	}
	if got := queryOne[int](t, owner, "SELECT n FROM k.t"); got != 42 {
		t.Errorf("kept value = %d, want 42", got)
	}
	if first.ServicePassword() != second.ServicePassword() {
		t.Error("the service's password changed between two starts of one folder")
	}
}

func TestKeptFolderInUseIsRefused(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(publicDir(t), "kept")
	s := mustStart(t, keeping(dir))
	_, err := Start(limited(t), keeping(dir))
	if err == nil || !strings.Contains(err.Error(), "in use by another running ponderal") {
		t.Errorf("second Start = %v, want: in use", err)
	}
	if !accepts(t, s.AdminURL("")) {
		t.Error("the refused start stopped the first server")
	}
}

func TestForeignFolderIsRefused(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	theirs := filepath.Join(dir, "letter.txt")
	if err := os.WriteFile(theirs, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Start(limited(t), keeping(dir))
	if err == nil || !strings.Contains(err.Error(), "not empty and was not made by ponderal") {
		t.Errorf("Start = %v, want a refusal", err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 1 {
		t.Errorf("folder now holds %v (%v), want the letter only", entries, err)
	}
	// The guard just does not fire for an empty folder.
	if err := os.Remove(theirs); err != nil {
		t.Fatal(err)
	}
	mustStart(t, keeping(dir))
}

func TestStrangeMarkerIsRefused(t *testing.T) {
	t.Parallel()
	for name, content := range map[string]string{
		"not JSON":     `x`,
		"other kind":   `{"kind":"else","format":1,"superuser_password":"a","owner_password":"b","service_password":"c"}`,
		"newer format": `{"kind":"ponderal private postgres","format":2,"superuser_password":"a","owner_password":"b","service_password":"c"}`,
		"no password":  `{"kind":"ponderal private postgres","format":1,"superuser_password":"a","owner_password":"b"}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := publicDir(t)
			if err := os.WriteFile(filepath.Join(dir, markerName), []byte(content), 0o600); err != nil {
				t.Fatal(err)
			}
			if _, err := Start(limited(t), keeping(dir)); err == nil || !strings.Contains(err.Error(), "marker") {
				t.Errorf("Start = %v, want an error about the marker", err)
			}
		})
	}
}

func TestKeptFolderAfterACutShortMaking(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(publicDir(t), "kept")
	ctx, cancel := context.WithCancel(context.Background())
	o := keeping(dir)
	o.Progress = func(string) { cancel() }
	if s, err := Start(ctx, o); err == nil {
		mustClose(t, s)
		t.Fatal("Start with a cancelled context gave a server")
	}
	if err := os.MkdirAll(filepath.Join(dir, dataNewName, "half"), 0o700); err != nil {
		t.Fatal(err)
	}
	mustStart(t, keeping(dir))
}

func TestKeptFolderAfterTheServerWasKilled(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(publicDir(t), "kept")
	first := mustStart(t, keeping(dir))
	_, owner, err := first.MainDatabase(limited(t))
	if err != nil {
		t.Fatal(err)
	}
	mustExec(t, owner, "CREATE SCHEMA survived")
	pid := (&folder{path: dir}).serverPID()
	if pid == 0 {
		t.Fatal("no server process noted in the folder")
	}
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	mustClose(t, first) // the server is gone already: no error
	if _, err := os.Stat(filepath.Join(dir, dataName, "postmaster.pid")); err != nil {
		t.Fatalf("the killed server should have left its lock file: %v", err)
	}
	second := mustStart(t, keeping(dir))
	if !queryOne[bool](t, second.OwnerURL(mainDatabase), "SELECT EXISTS (SELECT FROM pg_namespace WHERE nspname = 'survived')") {
		t.Error("what was committed before the kill is lost")
	}
}

func TestServerLeftRunningInKeptFolderIsNamed(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(publicDir(t), "kept")
	first := mustStart(t, keeping(dir))
	mustClose(t, first)
	// A stand-in for a server whose parent was killed: any process that lives.
	pidFile := filepath.Join(dir, dataName, "postmaster.pid")
	if err := os.WriteFile(pidFile, []byte("1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Start(limited(t), keeping(dir))
	if err == nil || !strings.Contains(err.Error(), "process 1 still serves") {
		t.Errorf("Start = %v, want the process named", err)
	}
	if err := os.Remove(pidFile); err != nil {
		t.Fatal(err)
	}
	mustStart(t, keeping(dir))
}

func TestKeptDataOfAnotherVersionIsRefused(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(publicDir(t), "kept")
	mustClose(t, mustStart(t, keeping(dir)))
	versionFile := filepath.Join(dir, dataName, "PG_VERSION")
	was, err := os.ReadFile(versionFile)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(versionFile, []byte("8\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = Start(limited(t), keeping(dir))
	if err == nil || !strings.Contains(err.Error(), "was made by Postgres 8") {
		t.Errorf("Start = %v, want the version named", err)
	}
	if err := os.WriteFile(versionFile, was, 0o600); err != nil {
		t.Fatal(err)
	}
	mustStart(t, keeping(dir))
}

// TestUnreachableFolder: root runs Postgres as another user, who must be able to
// enter the folder. An ordinary user runs it as itself, and there is nothing to refuse.
func TestUnreachableFolder(t *testing.T) {
	t.Parallel()
	closed := filepath.Join(publicDir(t), "closed")
	if err := os.Mkdir(closed, 0o700); err != nil {
		t.Fatal(err)
	}
	acc, err := serverAccount()
	if err != nil {
		t.Fatal(err)
	}
	s, err := Start(limited(t), keeping(filepath.Join(closed, "kept")))
	if acc.other {
		if err == nil || !strings.Contains(err.Error(), "cannot reach") {
			t.Errorf("Start = %v, want: cannot reach", err)
		}
		return
	}
	if err != nil {
		t.Fatalf("Start: %v", err)
	}
	mustClose(t, s)
}

// eventually polls until ok or ten seconds have passed.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(10 * time.Second)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("not within 10 s: %s", what)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// TestSweepTakesOnlyWhatIsOurs: of folders that look abandoned it removes the
// one with our marker and our owner.
func TestSweepTakesOnlyWhatIsOurs(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	acc, err := serverAccount()
	if err != nil {
		t.Fatal(err)
	}
	const abandoned = `{"kind":"ponderal private postgres","format":1,"temporary":true,"superuser_password":"a","owner_password":"b","service_password":"c"}`
	make := func(name, marker string) string {
		t.Helper()
		path := filepath.Join(dir, tempPrefix+name)
		if err := os.Mkdir(path, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := acc.give(path); err != nil {
			t.Fatal(err)
		}
		if marker != "" {
			if err := os.WriteFile(filepath.Join(path, markerName), []byte(marker), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		return path
	}
	ours := make("ours", abandoned)
	leave := []string{
		make("unmarked", ""),
		make("kept", strings.Replace(abandoned, `"temporary":true,`, "", 1)),
		make("broken", "{"),
		filepath.Join(dir, tempPrefix+"link"),
	}
	if err := os.Symlink(leave[0], leave[3]); err != nil {
		t.Fatal(err)
	}
	sweep(dir, acc)
	if _, err := os.Lstat(ours); !os.IsNotExist(err) {
		t.Errorf("the abandoned folder is still there: %v", err)
	}
	for _, path := range leave {
		if _, err := os.Lstat(path); err != nil {
			t.Errorf("%s is gone: %v", filepath.Base(path), err)
		}
	}
	other := account{name: "somebody else", uid: 4242, other: true}
	if info, err := os.Lstat(leave[0]); err != nil || other.owns(info) || !acc.owns(info) {
		t.Errorf("owner of %s is misread (%v)", leave[0], err)
	}
}
