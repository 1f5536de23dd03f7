//go:build !windows

package localpg

// systemEnv is what every program needs on this system: nothing.
func systemEnv() []string { return nil }
