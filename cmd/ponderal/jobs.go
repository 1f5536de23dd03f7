package main

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"os"

	"github.com/prometheus/client_golang/prometheus"

	"ponderal.example/internal/config"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
	"ponderal.example/internal/webhook"
	"ponderal.example/internal/witness"
)

// webhooksOf are the settings of the client that sends events. Authorities that cannot be read stop the start.
func webhooksOf(c config.Config) (webhook.Options, error) {
	o := webhook.Options{Private: c.WebhookPrivate}
	if c.WebhookCAFile == "" {
		return o, nil
	}
	file, err := os.ReadFile(c.WebhookCAFile)
	if err != nil {
		return o, fmt.Errorf("read webhook_ca_file: %w", err)
	}
	o.Roots = x509.NewCertPool()
	if !o.Roots.AppendCertsFromPEM(file) {
		return o, fmt.Errorf("read webhook_ca_file %s: there is no certificate in it", c.WebhookCAFile)
	}
	return o, nil
}

// workers are the work beside the calls: wake-ups between replicas, and what is done once whichever replica does it: sending events and asking the witnesses.
func (s *service) workers(ctx context.Context, w world, o settings, registry *prometheus.Registry) ([]func(context.Context), error) {
	if err := haveWebhookKeys(ctx, s.store, o.signIns); err != nil {
		return nil, err
	}
	o.webhooks.Now = w.now
	sender, err := webhook.NewClient(o.webhooks)
	if err != nil {
		return nil, err
	}
	deliveries := s.cases.Delivering(sender, o.logger)
	jobs := store.Jobs{Deliver: deliveries.Deliver, Again: deliveries.Again, Now: w.now, Logger: o.logger}
	if len(o.witnesses.targets) > 0 {
		worker, err := witness.NewWorker(witness.Options{Logs: s.cases.Witnessing(), Targets: o.witnesses.targets, Interval: o.witnesses.interval, Now: w.now,
			Rand: w.random, Logger: o.logger, Registry: registry})
		if err != nil {
			return nil, err
		}
		for _, r := range worker.Rounds() {
			jobs.Periodic = append(jobs.Periodic, store.Periodic{Name: r.Name, Every: r.Every, Do: r.Do})
		}
	}
	return []func(context.Context){
		func(ctx context.Context) { _ = s.store.RunWakes(ctx) },
		func(ctx context.Context) {
			if err := s.store.RunJobs(ctx, jobs); err != nil && !errors.Is(err, context.Canceled) {
				o.logger.Error("the queue ended", "error", err)
			}
		},
	}, nil
}

// haveWebhookKeys looks for webhooks whose secrets are sealed under keys that are not at hand: their events could not be signed.
func haveWebhookKeys(ctx context.Context, st *store.Store, in signIns) error {
	return st.ReadClinic(ctx, record.NetworkClinic, func(tx *store.Tx) error {
		ids, err := tx.KeysOfWebhooks(ctx)
		if err != nil {
			return err
		}
		if missing := in.secrets.Missing(ids); len(missing) > 0 {
			return fmt.Errorf("secrets of webhooks are sealed under keys that second_factor_key_file does not hold: %v", missing)
		}
		return nil
	})
}
