package casework

import (
	"fmt"
	"strconv"
	"strings"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
)

// contractNames are the members whose name in the contract is not that in a stored record.
var contractNames = map[string]string{
	"heart_rate":         "heart_rate_bpm",
	"resting_heart_rate": "resting_heart_rate_bpm",
	"systolic":           "systolic_mmhg",
	"diastolic":          "diastolic_mmhg",
	"start_heart_rate":   "start_heart_rate_bpm",
	"steady_heart_rate":  "steady_heart_rate_bpm",
}

// numberedLists are the lists of a session whose elements canon.Diff names by their number.
var numberedLists = map[string]bool{"series": true, "trials": true, "hand_series": true, "position_series": true, "bouts": true}

// contractPath turns a path of canon.Diff within a stored record into the path of the contract under prefix: contract names, and
// series, trials and bouts by their place from 0, which is their number less one.
func contractPath(prefix, path string) string {
	if path == "" {
		return prefix
	}
	parts := strings.Split(path, ".")
	for i, part := range parts {
		name, index, indexed := strings.Cut(part, "[")
		if known, ok := contractNames[name]; ok {
			name = known
		}
		if indexed && numberedLists[name] {
			if n, err := strconv.Atoi(strings.TrimSuffix(index, "]")); err == nil {
				index = strconv.Itoa(n-1) + "]"
			}
		}
		if indexed {
			name += "[" + index
		}
		parts[i] = name
	}
	return prefix + "." + strings.Join(parts, ".")
}

// differing names each field in which what was sent differs from what is stored. It holds no values: they may be a person's data.
func differing(prefix string, stored, sent []byte, revision int) ([]fault.Violation, error) {
	diff, err := canon.Diff(stored, sent)
	if err != nil {
		return nil, fmt.Errorf("compare with what is stored: %w", err)
	}
	found := make([]fault.Violation, 0, len(diff))
	for _, d := range diff {
		text := fmt.Sprintf("differs from what is stored as revision %d", revision)
		switch {
		case d.Was == "":
			text = fmt.Sprintf("is not in what is stored as revision %d", revision)
		case d.Now == "":
			text = fmt.Sprintf("is missing; it is in what is stored as revision %d", revision)
		}
		found = append(found, fault.Violation{Field: contractPath(prefix, d.Path), Rule: "record.differs", Text: text})
	}
	return found, nil
}
