package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/pem"
	"errors"
	"fmt"
	"net/http"
	"os"
	"time"
)

// certificateVariable is the setting of `ponderal serve` that names its certificate.
const certificateVariable = "PONDERAL_TLS_CERTIFICATE_FILE"

func healthCommand() command {
	return command{
		name:  "health",
		about: "Ask a running service whether it is ready; exit status 0 says yes.",
		detail: `Asks one URL of a service on this machine and ends with status 0 if it answers 200, 1 otherwise: the health check of a
container without a shell. /readyz says whether calls can be answered, /healthz whether the process lives.

Over https the service must show the first certificate of -certificate, whatever name is in it: a health check asks a
loopback address, for which no public certificate is made.`,
		examples: []string{"ponderal health", "ponderal health -url https://127.0.0.1:7080/readyz -certificate /etc/ponderal/tls.crt"},
		run:      runHealth,
	}
}

func runHealth(ctx context.Context, w world, f *flags) error {
	url := f.String("url", "http://127.0.0.1:7080/readyz", "`URL` to ask")
	path := f.String("certificate", "", "PEM `FILE` whose first certificate the service must show over https (usually "+certificateVariable+")")
	within := f.Duration("within", 3*time.Second, "how long the answer may take")
	if err := f.read(0, 0); err != nil {
		return err
	}
	if *path == "" {
		*path = w.env(certificateVariable)
	}
	client, err := healthClient(*path)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, *within)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, *url, nil)
	if err != nil {
		return usagef("-url: %v", err)
	}
	answer, err := client.Do(request)
	if err != nil {
		return fmt.Errorf("ask the service: %w", err)
	}
	if err := answer.Body.Close(); err != nil {
		return fmt.Errorf("read the service's answer: %w", err)
	}
	if answer.StatusCode != http.StatusOK {
		return fmt.Errorf("the service answers %s", answer.Status)
	}
	_, err = fmt.Fprintln(w.stdout, "ok")
	return err
}

// healthClient follows no redirect and uses no proxy: what answers must be the service itself. With path it trusts the first certificate in it
// and no other.
func healthClient(path string) (*http.Client, error) {
	transport := &http.Transport{DisableKeepAlives: true}
	if path != "" {
		chain, err := os.ReadFile(path)
		if err != nil {
			return nil, fmt.Errorf("read certificate: %w", err)
		}
		block, _ := pem.Decode(chain)
		if block == nil || block.Type != "CERTIFICATE" {
			return nil, errors.New("read certificate: there is none in the file")
		}
		transport.TLSClientConfig = pinned(block.Bytes)
	}
	return &http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}, nil
}

// pinned accepts exactly one certificate, and no name is compared; the handshake shows that the other side has its key.
func pinned(certificate []byte) *tls.Config {
	return &tls.Config{
		MinVersion:         tls.VersionTLS12,
		InsecureSkipVerify: true, // VerifyConnection compares the certificate itself
		VerifyConnection: func(s tls.ConnectionState) error {
			if len(s.PeerCertificates) == 0 || !bytes.Equal(s.PeerCertificates[0].Raw, certificate) {
				return errors.New("the service shows another certificate than the one in the file")
			}
			return nil
		},
	}
}
