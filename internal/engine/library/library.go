// Package library holds the protocols that are shipped: a house protocol for each zone and a published one. They are data, given out as
// values of their own on each call.
//
// The house protocols are starting points: the clinician who is responsible for a clinic's tests reads them, changes what does not suit
// the clinic, its clients and its local codes, and publishes the outcome.
package library

import (
	"slices"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// All returns every shipped protocol in a fixed order: the first house protocols by zone, the published one in its variants, then the house
// protocols that came later.
func All() []record.Protocol { return slices.Concat(House(), Progressive1988(), Beside()) }

// pounds and grams are exact.
func pounds(n int64) mass.Mass { return mass.FromUnits(n * 45_359_237_000) }

func grams(n int64) mass.Mass { return mass.FromUnits(n * 100_000_000) }

func halfPounds(n int64) mass.Mass { return mass.FromUnits(n * 45_359_237_000 / 2) }
