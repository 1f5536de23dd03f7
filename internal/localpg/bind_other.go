//go:build !linux

package localpg

import "os/exec"

// bindToParent has no means here: a killed process leaves its Postgres running.
func bindToParent(*exec.Cmd) {}
