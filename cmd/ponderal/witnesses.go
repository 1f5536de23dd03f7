package main

import (
	"fmt"
	"os"
	"time"

	"ponderal.example/internal/config"
	"ponderal.example/internal/witness"
)

// maxWitnesses is the largest file of witnesses that is read, in bytes.
const maxWitnesses = 64 << 10

// witnesses are those that are asked to cosign the logs; none where no file names any.
type witnesses struct {
	targets  []witness.Target
	interval time.Duration
}

// witnessesOf reads the file of witnesses that the settings name. One that cannot be read stops the start: a log that was to be witnessed must not be
// served as if it were.
func witnessesOf(c config.Config) (witnesses, error) {
	if c.WitnessesFile == "" {
		return witnesses{}, nil
	}
	text, err := readWitnesses(c.WitnessesFile)
	if err != nil {
		return witnesses{}, err
	}
	targets, err := witness.ParseTargets(text)
	if err != nil {
		return witnesses{}, fmt.Errorf("read witnesses from %s: %w", c.WitnessesFile, err)
	}
	return witnesses{targets: targets, interval: time.Duration(c.WitnessSeconds) * time.Second}, nil
}

func readWitnesses(path string) ([]byte, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read witnesses: %w", err)
	}
	if len(text) > maxWitnesses {
		return nil, fmt.Errorf("read witnesses from %s: larger than %d KiB", path, maxWitnesses>>10)
	}
	return text, nil
}
