// Package witness asks independent witnesses to cosign the heads of the clinics' logs, as a client of the open witness protocol (C2SP tlog-witness,
// https://c2sp.org/tlog-witness, with the cosignatures of https://c2sp.org/tlog-cosignature).
//
// A witness remembers, for each log, the largest head that it has seen, and cosigns a head only when a proof shows that the log has grown from there. A
// log that was cut or rewritten finds no cosignature, and whoever holds a cosigned head can show it. Nothing but hashes and signatures leaves.
//
// The package trusts no witness: an answer is bounded in size and time, no redirect is followed, and a cosignature is verified with the witness's
// key before it is handed on.
package witness

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"

	"ponderal.example/internal/seal"
)

// Target is a witness with the address that it takes checkpoints at.
type Target struct {
	// URL is the submission prefix: https, or http to this machine itself.
	URL *url.URL
	// Key is the witness's verifier key.
	Key seal.Witness
}

// maxTargets is how many witnesses may be named: a served checkpoint carries the cosignature of each.
const maxTargets = 32

// ParseTargets reads a list of witnesses, one a line: `URL VERIFIER_KEY`. Empty lines and those that begin with # are passed over. The error names
// the line. An empty list is an error: who wants no witnesses names no file.
func ParseTargets(text []byte) ([]Target, error) {
	lines, err := listOf(text)
	if err != nil {
		return nil, err
	}
	var all []Target
	seen := map[string]bool{}
	for _, l := range lines {
		if len(l.words) != 2 {
			return nil, fmt.Errorf("line %d: an address and a verifier key are needed, with a space between", l.number)
		}
		u, err := parseURL(l.words[0])
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", l.number, err)
		}
		key, err := seal.ParseWitness(l.words[1])
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", l.number, err)
		}
		if seen[key.Name()] {
			return nil, fmt.Errorf("line %d: the witness %s stands twice", l.number, key.Name())
		}
		seen[key.Name()] = true
		all = append(all, Target{URL: u, Key: key})
	}
	if len(all) > maxTargets {
		return nil, fmt.Errorf("there are %d witnesses; at most %d may be named", len(all), maxTargets)
	}
	return all, nil
}

// ParseKeys reads the verifier keys of a list of witnesses, for whoever verifies: one a line, alone or after an address, as ParseTargets takes it. A
// witness may have several keys.
func ParseKeys(text []byte) ([]seal.Witness, error) {
	lines, err := listOf(text)
	if err != nil {
		return nil, err
	}
	var all []seal.Witness
	seen := map[string]bool{}
	for _, l := range lines {
		if len(l.words) > 2 {
			return nil, fmt.Errorf("line %d: a verifier key is needed, alone or after an address", l.number)
		}
		key, err := seal.ParseWitness(l.words[len(l.words)-1])
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", l.number, err)
		}
		if seen[key.String()] {
			return nil, fmt.Errorf("line %d: the key stands twice", l.number)
		}
		seen[key.String()] = true
		all = append(all, key)
	}
	return all, nil
}

// line is a line of a list that says something.
type line struct {
	number int
	words  []string
}

func listOf(text []byte) ([]line, error) {
	var all []line
	for i, l := range strings.Split(string(text), "\n") {
		words := strings.Fields(l)
		if len(words) > 0 && !strings.HasPrefix(words[0], "#") {
			all = append(all, line{i + 1, words})
		}
	}
	if len(all) == 0 {
		return nil, errors.New("it names no witness")
	}
	return all, nil
}

func parseURL(text string) (*url.URL, error) {
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Host == "" || u.Hostname() == "":
		// The parser's own error repeats the text, which may hold a password.
		return nil, errors.New("the address is not a URL")
	case u.User != nil || u.RawQuery != "" || u.ForceQuery || u.Fragment != "":
		return nil, errors.New("the address has a user, a query or a fragment, which a witness's has not")
	case u.Scheme != "https" && !(u.Scheme == "http" && loopback(u.Hostname())):
		return nil, errors.New("the address is not https; plain http goes to this machine itself only")
	}
	return u, nil
}

// loopback takes only what cannot be reached from outside: a loopback address, or the name that RFC 6761 reserves for it.
func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
