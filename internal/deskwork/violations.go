package deskwork

import (
	"errors"

	"ponderal.example/internal/fault"
)

// violationsOf are the broken rules that an error names; none for nil. An error that names none is one of the engine's that no input
// should cause: it stays an error by standing as a rule of its own.
func violationsOf(err error) []fault.Violation {
	if err == nil {
		return nil
	}
	var f *fault.Error
	if errors.As(err, &f) && len(f.Violations) > 0 {
		return f.Violations
	}
	return []fault.Violation{{Field: "", Rule: "engine", Text: "the engine does not take this input"}}
}
