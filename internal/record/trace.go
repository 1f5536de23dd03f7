package record

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"

	"ponderal.example/internal/fault"
)

// The bounds of a heart-rate trace: two hours of one reading a second, each 20 to 250 beats per minute or 0 for none.
const (
	maxTraceReadings = 7200
	minTraceReading  = 20
	maxTraceReading  = 250
)

// HeartRateTrace is what a heart-rate monitor showed, one reading a second from StartedAt on. Changes holds the first reading and then by how much
// each differs from the one before, as the zigzag varints of protocol buffers (https://protobuf.dev/programming-guides/encoding/, sint32), base64url
// without padding: a byte for a change of up to 63 beats.
type HeartRateTrace struct {
	StartedAt Time   `json:"started_at"`
	Changes   string `json:"changes"`
}

// NewHeartRateTrace packs changes.
func NewHeartRateTrace(at Time, changes []int32) *HeartRateTrace {
	packed := make([]byte, 0, len(changes)+8)
	for _, c := range changes {
		packed = binary.AppendVarint(packed, int64(c))
	}
	return &HeartRateTrace{StartedAt: at, Changes: base64.RawURLEncoding.EncodeToString(packed)}
}

// Unpack returns the changes; ok is false where the text is not of the one form in which they are packed.
func (t HeartRateTrace) Unpack() (changes []int32, ok bool) {
	packed, err := base64.RawURLEncoding.Strict().DecodeString(t.Changes)
	if err != nil {
		return nil, false
	}
	changes = make([]int32, 0, len(packed))
	for len(packed) > 0 {
		v, n := binary.Varint(packed)
		if n <= 0 || v != int64(int32(v)) || n != len(binary.AppendVarint(nil, v)) {
			return nil, false
		}
		changes, packed = append(changes, int32(v)), packed[n:]
	}
	return changes, true
}

// Readings returns beats per minute, 0 where the monitor gave none.
func (t HeartRateTrace) Readings() ([]int, bool) {
	changes, ok := t.Unpack()
	if !ok {
		return nil, false
	}
	readings, last := make([]int, len(changes)), 0
	for i, c := range changes {
		last += int(c)
		readings[i] = last
	}
	return readings, true
}

// trace checks one at its path.
func (c *checker) trace(t *HeartRateTrace, at string) {
	if t == nil {
		return
	}
	readings, ok := t.Readings()
	c.demand(ok && len(readings) > 0 && len(readings) <= maxTraceReadings, at+".changes", "trace.length",
		fmt.Sprintf("a trace has 1 to %d readings", maxTraceReadings))
	for i, v := range readings {
		if v != 0 && (v < minTraceReading || v > maxTraceReading) {
			c.demand(false, fmt.Sprintf("%s.changes[%d]", at, i), "trace.reading",
				fmt.Sprintf("a reading is %d to %d beats per minute, or 0 for none", minTraceReading, maxTraceReading))
			return
		}
	}
}

// CheckTrace checks one by itself.
func CheckTrace(t *HeartRateTrace, at string) []fault.Violation {
	var k checker
	k.trace(t, at)
	return k.found
}

func (e *encoder) trace(t *HeartRateTrace) {
	e.BeginObject()
	e.StringField("changes", t.Changes)
	e.StringField("started_at", t.StartedAt.String())
	e.EndObject()
}
