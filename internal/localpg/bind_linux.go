package localpg

import (
	"os/exec"
	"syscall"
)

// bindToParent makes the kernel stop the child in good order when the thread
// that started it dies, so that a killed process leaves no Postgres behind.
// It needs apply to have run before, and the thread to live as long as the child.
func bindToParent(cmd *exec.Cmd) {
	cmd.SysProcAttr.Pdeathsig = syscall.SIGINT
}
