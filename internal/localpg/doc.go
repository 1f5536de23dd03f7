// Package localpg finds or starts a Postgres for a demonstration, a
// measurement or a test process, and never touches data it did not make.
//
// It tries three sources, in this order:
//
//  1. a server whose URL the caller gives: databases and roles are made there
//     and dropped again at Close;
//  2. the Postgres programs of this machine: a private cluster in a new private
//     folder (or in a kept folder that an earlier run of this package made),
//     reachable on a loopback port and a Unix socket in that folder, with
//     random passwords;
//  3. a container engine.
//
// Where none is there, Start fails with the one command that installs the
// programs. The package reads no environment of its own: the caller hands in
// the URL, the container image and the source of randomness. (Looking up
// programs in PATH and a container engine's own settings are left to the
// libraries that do it.)
package localpg
