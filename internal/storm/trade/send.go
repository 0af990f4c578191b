package trade

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// Clients are the three services as a trader reaches them.
type Clients struct {
	Intake     intakev1.IntakeServiceClient
	Inventory  inventoryv1.InventoryServiceClient
	Production productionv1.ProductionServiceClient
	conns      []*grpc.ClientConn
}

// Dial connects to the three services, whose names their certificates bear.
func Dial(addr func(service string) string, ca, token string) (*Clients, error) {
	pem, err := os.ReadFile(ca)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate", ca)
	}
	c := &Clients{}
	for _, name := range []string{"intake", "inventory", "production"} {
		secure := &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: pool, ServerName: name}
		conn, err := rpc.Dial(rpc.DialConfig{Target: addr(name), Token: token, TLS: secure})
		if err != nil {
			return nil, errors.Join(err, c.Close())
		}
		c.conns = append(c.conns, conn)
	}
	c.Intake = intakev1.NewIntakeServiceClient(c.conns[0])
	c.Inventory = inventoryv1.NewInventoryServiceClient(c.conns[1])
	c.Production = productionv1.NewProductionServiceClient(c.conns[2])
	return c, nil
}

// Close closes the connections.
func (c *Clients) Close() error {
	var errs []error
	for _, conn := range c.conns {
		errs = append(errs, conn.Close())
	}
	return errors.Join(errs...)
}

// Command is a write request of any contract.
type Command interface {
	proto.Message
	GetCommandId() string
}

// method is a method of a client.
type method[Q, A any] = func(context.Context, Q, ...grpc.CallOption) (A, error)

const (
	// tryLimit bounds one try of a command; a service that lives answers in a fraction of it, also where it has to wait for another.
	tryLimit = 8 * time.Second
	// lateBy is what a busy machine may add to a deadline.
	lateBy = 3 * time.Second
	// answerLimit is how long a command is repeated: longer than any fault lasts with the healing after it.
	answerLimit = 4 * time.Minute
	// retryPause is what a sender waits before it comes again.
	retryPause = 100 * time.Millisecond
)

// send repeats a command until it is answered, and journals the answer. An error of a kind that is no refusal means that it never was.
func send[Q Command, A proto.Message](ctx context.Context, t *Trader, m method[Q, A], req Q) (A, error) {
	began := time.Now()
	tries := 0
	var none A
	for {
		tries++
		answer, err := call(ctx, t, m, req)
		switch {
		case err == nil:
			t.accepted(req, answer, tries, func(ctx context.Context, again proto.Message) (proto.Message, error) {
				return call(ctx, t, m, again.(Q))
			})
			return answer, nil
		case fault.Refused(err) && fault.KindOf(err) != fault.KindUnauthenticated:
			t.journal.refused(t.name, req, err, tries)
			return none, err
		case ctx.Err() != nil:
			return none, ctx.Err()
		case time.Since(began) > answerLimit:
			t.journal.wrong("%s: %s %s was not answered within %v, %d tries, last: %v", t.name, nameOf(req), req.GetCommandId(), answerLimit, tries, err)
			return none, err
		}
		t.journal.unknown(err)
		if status.Code(err) == codes.Internal {
			t.journal.wrong("%s: %s %s was answered with an internal error: %v", t.name, nameOf(req), req.GetCommandId(), err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(retryPause):
		}
	}
}

// call is one try. It relies on what was answered before, so that the services hear of each other's in time.
func call[Q proto.Message, A any](ctx context.Context, t *Trader, m method[Q, A], req Q) (A, error) {
	ctx, cancel := context.WithTimeout(ctx, tryLimit)
	defer cancel()
	began := time.Now()
	answer, err := m(rpc.WithReceipts(ctx, t.receipts()...), req)
	if took := time.Since(began); took > tryLimit+lateBy {
		t.journal.wrong("%s: %s came back after %v, its deadline was %v", t.name, nameOf(req), took, tryLimit)
	}
	return answer, rpc.FromStatus(err)
}

// read repeats a question until it is answered.
func read[Q proto.Message, A any](ctx context.Context, t *Trader, m method[Q, A], req Q) (A, error) {
	began := time.Now()
	for {
		answer, err := call(ctx, t, m, req)
		if err == nil || fault.Refused(err) || ctx.Err() != nil || time.Since(began) > answerLimit {
			return answer, err
		}
		select {
		case <-ctx.Done():
		case <-time.After(retryPause):
		}
	}
}

func nameOf(m proto.Message) string { return string(m.ProtoReflect().Descriptor().Name()) }

// receiptOf is the receipt of an answer; nil where it has none.
func receiptOf(answer proto.Message) *eventv1.Receipt {
	m := answer.ProtoReflect()
	f := m.Descriptor().Fields().ByName("receipt")
	if f == nil || !m.Has(f) {
		return nil
	}
	r, _ := m.Get(f).Message().Interface().(*eventv1.Receipt)
	return r
}

func later(a, b lot.Receipt) bool {
	return a.Epoch > b.Epoch || a.Epoch == b.Epoch && a.Position > b.Position
}

// altered is a copy of a request whose first text, apart from its id, is another; false where it has none.
func altered(req Command) (proto.Message, bool) {
	out := proto.Clone(req)
	return out, alter(out.ProtoReflect())
}

func alter(m protoreflect.Message) bool {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.IsList() || f.IsMap() || f.Name() == "command_id" || !m.Has(f) {
			continue
		}
		switch f.Kind() {
		case protoreflect.StringKind:
			m.Set(f, protoreflect.ValueOfString(m.Get(f).String()+"x"))
			return true
		case protoreflect.MessageKind:
			if alter(m.Mutable(f).Message()) {
				return true
			}
		}
	}
	return false
}
