package localpg

import (
	"bufio"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
)

// TestKilledProcessLeavesNoServer: the kernel stops the server of a killed
// process, and the next start clears the folder away.
func TestKilledProcessLeavesNoServer(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), serveVariable+"="+dir)
	stdin, err := cmd.StdinPipe() // stays open: the program waits on it
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = stdin.Close() }()
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(stdout).ReadString('\n')
	address, ok := strings.CutPrefix(strings.TrimSpace(line), "serving ")
	folders := privateFolders(t, dir)
	if err != nil || !ok || len(folders) != 1 {
		_ = cmd.Process.Kill()
		t.Fatalf("the program said %q (%v); folders %v", line, err, folders)
	}
	pid := (&folder{path: folders[0]}).serverPID()
	if pid == 0 || !accepts(t, address) {
		t.Error("the server does not run before the kill")
	}
	// A start beside it leaves the living one's folder alone.
	mustClose(t, mustStart(t, quick(dir)))
	if left := privateFolders(t, dir); len(left) != 1 {
		t.Errorf("folders = %v, want the living server's", left)
	}

	if err := cmd.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // says that it was killed
	eventually(t, "the server ends after its parent", func() bool { return !alive(pid) && !accepts(t, address) })
	mustClose(t, mustStart(t, quick(dir)))
	if left := privateFolders(t, dir); len(left) != 0 {
		t.Errorf("the next start left %v", left)
	}
}
