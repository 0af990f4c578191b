package checker

import (
	"crypto/sha256"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	eventv1 "huskline/proto/huskline/event/v1"
)

// command is a write request of any contract.
type command interface {
	proto.Message
	GetCommandId() string
}

// Accepted is the journal's line for a request that was answered OK.
func Accepted(request command, answer proto.Message) Answered {
	name := request.ProtoReflect().Descriptor().FullName()
	a := Answered{Service: serviceOf(name), CommandID: request.GetCommandId(), Method: string(name), Digest: Digest(request), Answer: proto.Clone(answer)}
	fields := answer.ProtoReflect().Descriptor().Fields()
	if f := fields.ByName("receipt"); f != nil && !f.IsList() && answer.ProtoReflect().Has(f) {
		a.Receipt, _ = proto.Clone(answer.ProtoReflect().Get(f).Message().Interface()).(*eventv1.Receipt)
	}
	return a
}

// Digest is what a service keeps of a request, to know it again.
func Digest(request proto.Message) []byte {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(request)
	if err != nil {
		return nil
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\x00%s", request.ProtoReflect().Descriptor().FullName(), body))
	return sum[:]
}

// serviceOf is the service whose contract a message is of: huskline.SERVICE.v1.NAME.
func serviceOf(name protoreflect.FullName) string {
	parts := strings.Split(string(name), ".")
	if len(parts) != 4 {
		return ""
	}
	return parts[1]
}
