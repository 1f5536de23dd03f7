package main

import "fmt"

// farthest is how many letters a name may be off to be suggested.
const farthest = 3

// nearest gives `; did you mean "X"?` for the closest of the names, or nothing when none is close.
func nearest(name string, among []string) string {
	best, distance := "", min(farthest, len(name)-1)+1
	for _, candidate := range among {
		if d := edits(name, candidate); d < distance {
			best, distance = candidate, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf("; did you mean %q?", best)
}

// edits is the Levenshtein distance in bytes.
func edits(a, b string) int {
	before := make([]int, len(b)+1)
	for j := range before {
		before[j] = j
	}
	for i := range len(a) {
		row := make([]int, len(b)+1)
		row[0] = i + 1
		for j := range len(b) {
			change := before[j]
			if a[i] != b[j] {
				change++
			}
			row[j+1] = min(change, before[j+1]+1, row[j]+1)
		}
		before = row
	}
	return before[len(b)]
}
