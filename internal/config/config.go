package config

import (
	"log/slog"
	"net/url"
	"strings"
)

// Prefix begins the name of every setting in the environment.
const Prefix = "PONDERAL_"

// Config are the settings after Load. settings.go documents each.
type Config struct {
	DatabaseURL        Secret
	DatabaseMaxConns   int
	GRPCAddress        string
	RESTAddress        string
	MetricsAddress     string
	TLSCertificateFile string
	TLSKeyFile         string
	TLSClientCAFile    string
	AllowPlaintext     bool
	KeysFolder         string
	LogName            string
	LogLevel           slog.Level
	ShutdownSeconds    int
	DeadlineSeconds    int
	MaxDeadlineSeconds int
	MaxMessageKiB      int
	MaxInFlight        int
	PublicLog          bool
	WitnessesFile      string
	WitnessSeconds     int

	RateLimitPerMinute        int
	RateLimitAddressPerMinute int
	SignInAttempts            int
	SignInWindowSeconds       int
	TrustedProxies            string

	SecondFactorKeyFile string
	OpenIDIssuersFile   string
	SignInMinutes       int
	SignInName          string
	PasswordMemoryMiB   int

	WebhookPrivate bool
	WebhookCAFile  string
}

// Secret is a text that is printed without its secret part, however it is printed.
type Secret string

// Reveal is the text itself.
func (s Secret) Reveal() string { return string(s) }

// String hides everything but the host and path of a URL, and all of any other text.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	u, err := url.Parse(string(s))
	if err != nil || u.Host == "" {
		return "(hidden)"
	}
	return (&url.URL{Scheme: u.Scheme, Host: u.Host, Path: u.Path, User: url.User("hidden")}).String()
}

// GoString hides as String does.
func (s Secret) GoString() string { return s.String() }

// MarshalText hides as String does, in JSON and in logs.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// LogValue hides as String does.
func (s Secret) LogValue() slog.Value { return slog.StringValue(s.String()) }

// String lists every setting with its value, one a line, secrets hidden.
func (c Config) String() string {
	var b strings.Builder
	for _, s := range settings() {
		b.WriteString(s.Name + " = " + s.show(&c) + "\n")
	}
	return b.String()
}
