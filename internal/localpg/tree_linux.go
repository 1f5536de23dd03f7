package localpg

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// killTree kills a postmaster and all its children. It is stopped first, so that it starts none meanwhile, and killed last, so that
// none of them is left to somebody else; each server process is a child of the postmaster itself.
func killTree(pid int) error {
	if err := syscall.Kill(pid, syscall.SIGSTOP); err != nil {
		return fmt.Errorf("stop process %d: %w", pid, err)
	}
	children, err := childrenOf(pid)
	errs := []error{err}
	for _, child := range children {
		errs = append(errs, kill(child))
	}
	errs = append(errs, kill(pid))
	for _, child := range children {
		for range 200 {
			if !alive(child) {
				break
			}
			time.Sleep(5 * time.Millisecond)
		}
	}
	return errors.Join(errs...)
}

func kill(pid int) error {
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil && !errors.Is(err, syscall.ESRCH) {
		return fmt.Errorf("kill process %d: %w", pid, err)
	}
	return nil
}

// childrenOf reads /proc/PID/stat, see proc(5): the parent's id is the second field after the name, which stands in parentheses.
func childrenOf(parent int) ([]int, error) {
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return nil, fmt.Errorf("list processes: %w", err)
	}
	var children []int
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		text, err := os.ReadFile("/proc/" + e.Name() + "/stat")
		if err != nil {
			// It ended meanwhile.
			continue
		}
		fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
		if len(fields) > 1 && fields[1] == strconv.Itoa(parent) {
			children = append(children, pid)
		}
	}
	return children, nil
}
