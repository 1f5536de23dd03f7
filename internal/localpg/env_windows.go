package localpg

import "os"

// systemEnv is what every program needs on this system to load its libraries.
func systemEnv() []string { return []string{"SystemRoot=" + os.Getenv("SystemRoot")} }
