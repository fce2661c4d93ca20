package record

import (
	"encoding/binary"
	"errors"
	"math"
	"math/bits"

	"gradus/protocol"
)

// Sample is one value of a sensor with its test time in ms.
type Sample struct {
	At protocol.Ms
	V  float64
}

// Pack writes the samples of a block, in the order of time, without loss. Per sample: the time since the one
// before as a varint (zigzag, in ms), then the bits of the value turned end for end as a varint, which makes whole
// numbers of up to three digits two or three bytes long.
func Pack(samples []Sample) []byte {
	var out []byte
	var last protocol.Ms
	for _, s := range samples {
		out = binary.AppendVarint(out, int64(s.At-last))
		out = binary.AppendUvarint(out, bits.ReverseBytes64(math.Float64bits(s.V)))
		last = s.At
	}
	return out
}

var errPacked = errors.New("record: packed samples are cut off or damaged")

// Unpack reads what Pack wrote.
func Unpack(payload []byte) ([]Sample, error) {
	var samples []Sample
	var at int64
	for len(payload) > 0 {
		step, n := binary.Varint(payload)
		if n <= 0 {
			return nil, errPacked
		}
		value, m := binary.Uvarint(payload[n:])
		if m <= 0 {
			return nil, errPacked
		}
		at += step
		samples = append(samples, Sample{protocol.Ms(at), math.Float64frombits(bits.ReverseBytes64(value))})
		payload = payload[n+m:]
	}
	return samples, nil
}
