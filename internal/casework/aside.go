package casework

import (
	"fmt"
	"runtime/debug"

	"ponderal.example/internal/fault"
)

// aside runs work in a goroutine of its own: a panic in it would end the process, since only that of the call itself is caught where calls are. It
// becomes the internal error that it would have been there. Its value is not kept, for it may hold parts of a record.
func aside(work func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fault.Wrap(fault.Internal, "PANIC", "an internal error", fmt.Errorf("panic of type %T at:\n%s", p, debug.Stack()))
		}
	}()
	return work()
}
