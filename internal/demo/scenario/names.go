package scenario

import (
	"encoding/binary"

	"github.com/google/uuid"
)

// id makes an id of the shape of a UUIDv7 (RFC 9562, 5.7): the time is the day's, moved on by one millisecond an id.
func (m *maker) id() string {
	var u uuid.UUID
	m.ids++
	binary.BigEndian.PutUint64(u[:8], uint64(m.date.UnixMilli()+m.ids)<<16|m.rng.Uint64()&0x0fff)
	binary.BigEndian.PutUint64(u[8:], m.rng.Uint64())
	u[6] = u[6]&0x0f | 0x70
	u[8] = u[8]&0x3f | 0x80
	return u.String()
}

// The names are put together from two lists of words that nobody is called by together.
var (
	givenNames = []string{"Tansy", "Corwin", "Maribel", "Oswin", "Petra", "Lorcan", "Isolde", "Bramwell", "Junia", "Fergal", "Odette", "Casimir",
		"Linnea", "Thaddeus", "Wilhelmina", "Ambrose", "Saffron", "Evander", "Cosima", "Alaric", "Philippa"}
	familyNames = []string{"Quillfeather", "Copperkettle", "Brackenmoor", "Larkmarsh", "Thistlewick", "Pebblebrook", "Candlewharf", "Otterstone",
		"Windlesack", "Applegarth-Moon", "Rookpenny", "Saltbuttons", "Hollowbell", "Ferrymantle", "Dapplethorn", "Lanternjack", "Mistlebarrow"}
)

// name gives the next pair; no pair comes twice before every pair has come.
func (m *maker) name() (given, family string) {
	n := m.names
	m.names++
	// The lengths of the lists share no divisor, so that stepping both gives every pair once.
	return givenNames[n%len(givenNames)], familyNames[n%len(familyNames)]
}

// NewID makes a further id of the day, for what is made while it is played.
func (d *Day) NewID() string { return d.maker.id() }
