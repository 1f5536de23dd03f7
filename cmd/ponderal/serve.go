package main

import (
	"context"
	"errors"
	"fmt"
)

func serveCommand() command {
	return command{
		name:  "serve",
		about: "Serve the API over gRPC and REST.",
		detail: `Serves until SIGINT or SIGTERM, then lets requests in flight finish. Logs go to standard error, one JSON object a line,
without anything of a client. It does not start when a setting cannot be honoured. Before the first start: ` + "`ponderal" + `
migrate` + "`, `ponderal keys`, `ponderal token`" + `.

Settings come from the environment, else from the file, else they have the default in brackets:
` + settingsHelp(),
		examples: []string{"ponderal serve", "ponderal serve -config /etc/ponderal/config.json", "ponderal serve -show"},
		run:      runServe,
	}
}

func runServe(ctx context.Context, w world, f *flags) error {
	path := f.String("config", "", "JSON `FILE` with settings")
	show := f.Bool("show", false, "print the settings that would be used, secrets hidden, and end")
	if err := f.read(0, 0); err != nil {
		return err
	}
	c, err := readConfig(w, *path)
	if err != nil {
		return err
	}
	if *show {
		_, err := fmt.Fprint(w.stdout, c.String())
		return err
	}
	o, err := settingsOf(w, c)
	if err != nil {
		return err
	}
	s, err := startService(ctx, w, o)
	if err != nil {
		return err
	}
	o.logger.Info("serving", "grpc", s.addresses.GRPC, "rest", s.addresses.REST, "metrics", s.addresses.Metrics, "tls", o.tls != nil, "build", revision())
	err = s.server.Wait(ctx)
	o.logger.Info("stopping")
	err = errors.Join(err, s.stop())
	o.logger.Info("stopped")
	return err
}
