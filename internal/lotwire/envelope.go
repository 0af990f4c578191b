package lotwire

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"

	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	eventv1 "huskline/proto/huskline/event/v1"
)

// EnvelopeBytes is an envelope as a message of the bus.
func EnvelopeBytes(env *eventv1.Envelope) ([]byte, error) {
	return proto.MarshalOptions{Deterministic: true}.Marshal(env)
}

// ParseEnvelope reads a message of the bus. Whatever cannot be an envelope is refused with reason envelope_malformed.
func ParseEnvelope(data []byte) (*eventv1.Envelope, error) {
	env := &eventv1.Envelope{}
	if err := proto.Unmarshal(data, env); err != nil {
		return nil, fault.Invalid("envelope_malformed", "message of %d bytes is no envelope: %v", len(data), err)
	}
	if env.GetProducer() == "" || env.GetEpoch() < 1 || env.GetPosition() < 1 {
		return nil, fault.Invalid("envelope_malformed", "envelope %q/%d/%d: producer, epoch from 1 and position from 1 are required",
			env.GetProducer(), env.GetEpoch(), env.GetPosition())
	}
	return env, nil
}

// Hash is the link that the contract asks of an envelope: SHA-256 over the hash before it, epoch, position and recorded time (8 bytes each,
// big endian), and SHA-256 of the payload.
func Hash(env *eventv1.Envelope) []byte {
	payload := sha256.Sum256(env.GetPayload())
	link := make([]byte, 0, 3*8+2*sha256.Size)
	link = append(link, env.GetPreviousHash()...)
	for _, n := range []int64{env.GetEpoch(), env.GetPosition(), env.GetRecordedMicros()} {
		link = binary.BigEndian.AppendUint64(link, uint64(n))
	}
	link = append(link, payload[:]...)
	sum := sha256.Sum256(link)
	return sum[:]
}

// Verify tells whether an envelope's hash is that of its content. That it follows the one before it is for the caller to compare.
func Verify(env *eventv1.Envelope) error {
	if len(env.GetPreviousHash()) != sha256.Size || !bytes.Equal(Hash(env), env.GetHash()) {
		return fault.Invalid("envelope_hash", "envelope %s/%d/%d: its hash is not that of its content",
			env.GetProducer(), env.GetEpoch(), env.GetPosition())
	}
	return nil
}
