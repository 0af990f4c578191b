package rpc

import (
	"context"
	"slices"
	"strings"
	"unicode"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"huskline/internal/fault"
)

// Texts is r for services whose unary requests carry only printable texts: a NUL cannot be stored, and other control characters would break the
// sheets and lists that a text is printed on. Methods by the given names judge their messages line by line themselves.
func Texts(r grpc.ServiceRegistrar, except ...string) grpc.ServiceRegistrar { return texts{r, except} }

type texts struct {
	to     grpc.ServiceRegistrar
	except []string
}

// RegisterService registers a service whose methods judge the texts of what they are asked.
func (t texts) RegisterService(desc *grpc.ServiceDesc, srv any) {
	judged := *desc
	judged.Methods = slices.Clone(desc.Methods)
	for i, m := range judged.Methods {
		if !slices.Contains(t.except, m.MethodName) {
			judged.Methods[i].Handler = printable(m.Handler)
		}
	}
	t.to.RegisterService(&judged, srv)
}

// printable judges after the chain has admitted the caller, so that a refusal passes back through it.
func printable(handler grpc.MethodHandler) grpc.MethodHandler {
	return func(srv any, ctx context.Context, dec func(any) error, chain grpc.UnaryServerInterceptor) (any, error) {
		if chain == nil {
			chain = func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
				return next(ctx, req)
			}
		}
		return handler(srv, ctx, dec, func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			return chain(ctx, req, info, func(ctx context.Context, req any) (any, error) {
				if msg, ok := req.(proto.Message); ok {
					if err := Printable(msg); err != nil {
						return nil, err
					}
				}
				return next(ctx, req)
			})
		})
	}
}

// Printable refuses a message with a control character in one of its texts, and names the field. A line feed may stand in an address or a reason.
func Printable(m proto.Message) error { return textFault("", m.ProtoReflect()) }

func textFault(path string, m protoreflect.Message) (err error) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if f.IsMap() || f.Kind() != protoreflect.StringKind && f.Kind() != protoreflect.MessageKind {
			return true
		}
		if !f.IsList() {
			err = oneFault(path, f, v)
			return err == nil
		}
		for i := 0; i < v.List().Len() && err == nil; i++ {
			err = oneFault(path, f, v.List().Get(i))
		}
		return err == nil
	})
	return err
}

func oneFault(path string, f protoreflect.FieldDescriptor, v protoreflect.Value) error {
	name := path + string(f.Name())
	if f.Kind() == protoreflect.MessageKind {
		return textFault(name+".", v.Message())
	}
	lines := slices.Contains([]string{"address", "reason", "gain_reason"}, string(f.Name()))
	at := strings.IndexFunc(v.String(), func(r rune) bool { return unicode.IsControl(r) && !(lines && r == '\n') })
	if at < 0 {
		return nil
	}
	return fault.Invalid("text_malformed", "field %s, %q: a text has no control characters, the one at byte %d is one", name, v.String(), at)
}
