package main

import (
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"ponderal.example/internal/config"
	"ponderal.example/internal/demo"
	"ponderal.example/internal/serve"
)

// readConfig reads the configuration from the environment and, where one is named, a file, and refuses what is wrong with it.
func readConfig(w world, path string) (config.Config, error) {
	var file []byte
	if path != "" {
		var err error
		if file, err = os.ReadFile(path); err != nil {
			return config.Config{}, fmt.Errorf("read configuration: %w", err)
		}
	}
	c, err := config.Load(w.lookup, w.environ, file)
	if err != nil {
		return config.Config{}, err
	}
	return c, c.Validate()
}

// settingsHelp lists the settings for -h.
func settingsHelp() string {
	var b strings.Builder
	for _, s := range config.Settings() {
		fallback := ""
		if s.Default != "" {
			fallback = " (" + s.Default + ")"
		}
		fmt.Fprintf(&b, "\n  %s%s\n", s.Variable(), fallback)
		demo.Paragraph(&b, "      ", "      ", s.Doc)
	}
	return strings.TrimRight(b.String(), "\n")
}

// settingsOf opens what the configuration names: keys and certificate.
func settingsOf(w world, c config.Config) (settings, error) {
	keys, err := readKeys(c.KeysFolder)
	if err != nil {
		return settings{}, err
	}
	o := settings{
		databaseURL: c.DatabaseURL.Reveal(), maxConns: int32(c.DatabaseMaxConns), keys: keys, logName: c.LogName,
		grpc: c.GRPCAddress, rest: c.RESTAddress, metrics: c.MetricsAddress, allowPlaintext: c.AllowPlaintext, publicLogs: c.PublicLog,
		logger: slog.New(slog.NewJSONHandler(w.stderr, &slog.HandlerOptions{Level: c.LogLevel})),
		limits: serve.Limits{
			MaxMessage: c.MaxMessageKiB << 10, MaxInFlight: c.MaxInFlight,
			DefaultDeadline: time.Duration(c.DeadlineSeconds) * time.Second, MaxDeadline: time.Duration(c.MaxDeadlineSeconds) * time.Second,
		},
		stopWithin: time.Duration(c.ShutdownSeconds) * time.Second,
	}
	if o.rates, err = ratesOf(c); err != nil {
		return settings{}, err
	}
	if o.signIns, err = signInsOf(c); err != nil {
		return settings{}, err
	}
	if o.witnesses, err = witnessesOf(c); err != nil {
		return settings{}, err
	}
	if o.webhooks, err = webhooksOf(c); err != nil {
		return settings{}, err
	}
	if o.tls, err = tlsOf(c); err != nil {
		return settings{}, err
	}
	return o, nil
}
