package main

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"ponderal.example/internal/authn/factor"
	"ponderal.example/internal/authn/openid"
	"ponderal.example/internal/authn/password"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/config"
	"ponderal.example/internal/store"
)

const (
	// passwordsWaiting is how many sign-ins may wait for memory; one more is told to come again.
	passwordsWaiting = 64
	// issuerTimeout bounds a request to an issuer, beside the verifier's own.
	issuerTimeout = 10 * time.Second
)

// signIns are the settings of signing in, with the files that they name.
type signIns struct {
	secrets   factor.Keys
	issuers   []openid.Issuer
	life      time.Duration
	name      string
	memoryKiB uint32
}

// privateSignIns are those of a service for one's own use.
var privateSignIns = signIns{life: casework.LongestSignIn, name: "Ponderal", memoryKiB: 256 << 10}

func signInsOf(c config.Config) (signIns, error) {
	s := signIns{life: time.Duration(c.SignInMinutes) * time.Minute, name: c.SignInName, memoryKiB: uint32(c.PasswordMemoryMiB) << 10}
	if c.SecondFactorKeyFile != "" {
		file, err := os.ReadFile(c.SecondFactorKeyFile)
		if err != nil {
			return signIns{}, fmt.Errorf("read second_factor_key_file: %w", err)
		}
		if s.secrets, err = factor.Read(file); err != nil {
			return signIns{}, fmt.Errorf("read second_factor_key_file %s: %w", c.SecondFactorKeyFile, err)
		}
	}
	if c.OpenIDIssuersFile == "" {
		return s, nil
	}
	file, err := os.ReadFile(c.OpenIDIssuersFile)
	if err != nil {
		return signIns{}, fmt.Errorf("read openid_issuers_file: %w", err)
	}
	if s.issuers, err = openid.ReadIssuers(file); err != nil {
		return signIns{}, fmt.Errorf("read openid_issuers_file %s: %w", c.OpenIDIssuersFile, err)
	}
	return s, nil
}

// cases are what the use cases need. It is an error if second factors are stored whose key is not at hand: their people could not sign in.
func (s signIns) cases(ctx context.Context, w world, st *store.Store, attempts casework.Attempts) (*casework.SignIn, error) {
	passwords, err := password.New(password.Config{Params: password.Recommended(), BudgetKiB: s.memoryKiB, MaxWaiting: passwordsWaiting,
		Policy: password.Policy{MinLength: password.MinLength, Blocked: tooExpected}, Rand: w.random})
	if err != nil {
		return nil, err
	}
	if err := s.haveKeys(ctx, st); err != nil {
		return nil, err
	}
	in := &casework.SignIn{Passwords: passwords, Secrets: s.secrets, Attempts: attempts, Life: s.life, Service: s.name}
	if len(s.issuers) == 0 {
		return in, nil
	}
	if in.IDTokens, err = openid.New(openid.Config{Issuers: s.issuers, Client: &http.Client{Timeout: issuerTimeout}, Now: w.now}); err != nil {
		return nil, err
	}
	return in, nil
}

// haveKeys looks for second factors in every clinic that are sealed under keys which are not at hand.
func (s signIns) haveKeys(ctx context.Context, st *store.Store) error {
	clinics, err := st.ListClinicIDs(ctx)
	if err != nil {
		return err
	}
	for _, clinic := range clinics {
		err := st.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
			ids, err := tx.KeysOfSecrets(ctx)
			if err != nil {
				return err
			}
			if missing := s.secrets.Missing(ids); len(missing) > 0 {
				return fmt.Errorf("second factors are sealed under the keys %s, which second_factor_key_file does not hold", strings.Join(missing, ", "))
			}
			return nil
		})
		if err != nil {
			return fmt.Errorf("look for the keys of second factors: %w", err)
		}
	}
	return nil
}

// tooExpected blocks passwords that are one character over and over or a plain run of them: with a bound on attempts and a second factor that is what an
// outsider would try first (NIST SP 800-63B, section 5.1.1.2: repetitive or sequential characters).
func tooExpected(text string) bool {
	repeated, up, down := true, true, true
	runes := []rune(strings.ToLower(text))
	for i := 1; i < len(runes); i++ {
		step := runes[i] - runes[i-1]
		repeated, up, down = repeated && step == 0, up && step == 1, down && step == -1
	}
	for _, common := range []string{"password", "passwort", "qwertyui", "letmein", "iloveyou"} {
		if rest, found := strings.CutPrefix(strings.ToLower(text), common); found && strings.Trim(rest, "0123456789!.?") == "" {
			return true
		}
	}
	return repeated || up || down
}

// attemptMetrics count what held sign-ins up.
type attemptMetrics struct{ locked, refused prometheus.Counter }

func newAttemptMetrics(r *prometheus.Registry) (attemptMetrics, error) {
	m := attemptMetrics{
		locked:  prometheus.NewCounter(prometheus.CounterOpts{Name: "ponderal_sign_in_locks_total", Help: "Lockouts after failed sign-ins."}),
		refused: prometheus.NewCounter(prometheus.CounterOpts{Name: "ponderal_sign_in_refusals_total", Help: "Sign-ins that were not let begin."}),
	}
	for _, c := range []prometheus.Collector{m.locked, m.refused} {
		if err := r.Register(c); err != nil {
			return m, fmt.Errorf("register metrics: %w", err)
		}
	}
	return m, nil
}

// Locked counts a lockout.
func (m attemptMetrics) Locked() { m.locked.Inc() }

// Refused counts an attempt that was not let begin.
func (m attemptMetrics) Refused() { m.refused.Inc() }

// attempts bound sign-ins over all replicas, by the database's clock.
func (r rates) signIns(st *store.Store, logger *slog.Logger, registry *prometheus.Registry) (casework.Attempts, error) {
	metrics, err := newAttemptMetrics(registry)
	if err != nil {
		return nil, err
	}
	return casework.NewStoredAttempts(st.Limits(nil), r.attempts, r.window, logger, metrics)
}
