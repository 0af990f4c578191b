package main

import (
	"fmt"
	"os"
	"regexp"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// TestVendoredRules holds the vendored validate.proto to the Go package that rules are read with, descriptor by
// descriptor: were one raised without the other, a rule in a contract would be read as another or not at all.
func TestVendoredRules(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../thirdparty/protovalidate/buf/validate/validate.proto")
	require.NoError(t, err)
	want := map[string]int{}
	numbered(validate.File_buf_validate_validate_proto, want)
	got := map[string]int{}
	for _, m := range regexp.MustCompile(`(?m)^[^/\n]*?\b([A-Za-z_]\w*) = (\d+)\s*(;|\[)`).FindAllStringSubmatch(string(text), -1) {
		got[m[1]+" = "+m[2]]++
	}
	require.Greater(t, len(want), 100, "fields and values in the Go package")
	for line, n := range want {
		if got[line] != n {
			t.Errorf("%s: %d times in validate.proto, %d times in the Go package", line, got[line], n)
		}
	}
	for line := range got {
		if want[line] == 0 {
			t.Errorf("%s: in validate.proto, not in the Go package", line)
		}
	}
}

// container is what a file and a message have in common.
type container interface {
	Messages() protoreflect.MessageDescriptors
	Enums() protoreflect.EnumDescriptors
	Extensions() protoreflect.ExtensionDescriptors
}

// numbered counts every "name = number" of fields, extensions and enum values in c and below.
func numbered(c container, counts map[string]int) {
	count := func(name protoreflect.Name, number any) {
		counts[fmt.Sprintf("%s = %v", name, number)]++
	}
	for i := range c.Extensions().Len() {
		count(c.Extensions().Get(i).Name(), c.Extensions().Get(i).Number())
	}
	for i := range c.Enums().Len() {
		values := c.Enums().Get(i).Values()
		for j := range values.Len() {
			count(values.Get(j).Name(), int(values.Get(j).Number()))
		}
	}
	for i := range c.Messages().Len() {
		m := c.Messages().Get(i)
		for j := range m.Fields().Len() {
			count(m.Fields().Get(j).Name(), m.Fields().Get(j).Number())
		}
		numbered(m, counts)
	}
}
