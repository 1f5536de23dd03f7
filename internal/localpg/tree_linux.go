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
			if ended(child) {
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

// ended says whether a killed process has ended, though nobody may have asked for its status yet.
func ended(pid int) bool {
	fields := stat(strconv.Itoa(pid))
	return len(fields) == 0 || fields[0] == "Z" || fields[0] == "X"
}

// stat is what /proc/PID/stat says after the name, which stands in parentheses: the state, the parent's id and more, see proc(5). Empty when the process
// is gone.
func stat(pid string) []string {
	text, err := os.ReadFile("/proc/" + pid + "/stat")
	if err != nil {
		return nil
	}
	return strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
}

// childrenOf lists the processes with that parent.
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
		if fields := stat(e.Name()); len(fields) > 1 && fields[1] == strconv.Itoa(parent) {
			children = append(children, pid)
		}
	}
	return children, nil
}
