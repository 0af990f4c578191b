package trade

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"google.golang.org/grpc"

	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// Peer is a caller with the certificate of a service and no token.
type Peer struct {
	conn    *grpc.ClientConn
	service string
}

// DialPeer connects to a service with a certificate.
func DialPeer(addr, service, ca, cert, key string) (*Peer, error) {
	pem, err := os.ReadFile(ca)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate", ca)
	}
	pair, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		return nil, err
	}
	conn, err := rpc.Dial(rpc.DialConfig{Target: addr, TLS: &tls.Config{
		MinVersion: tls.VersionTLS13, RootCAs: pool, ServerName: service, Certificates: []tls.Certificate{pair},
	}})
	if err != nil {
		return nil, err
	}
	return &Peer{conn: conn, service: service}, nil
}

// Close closes the connection.
func (p *Peer) Close() error { return p.conn.Close() }

// Ask asks for an event of the service, which only the others and an auditor may. Nil: it was answered.
func (p *Peer) Ask(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	switch p.service {
	case "intake":
		return first(intakev1.NewIntakeServiceClient(p.conn).ReadEvents(ctx, &intakev1.ReadEventsRequest{Epoch: 1, Limit: 1}))
	case "inventory":
		return first(inventoryv1.NewInventoryServiceClient(p.conn).ReadEvents(ctx, &inventoryv1.ReadEventsRequest{Epoch: 1, Limit: 1}))
	}
	return first(productionv1.NewProductionServiceClient(p.conn).ReadEvents(ctx, &productionv1.ReadEventsRequest{Epoch: 1, Limit: 1}))
}

// first receives the first answer of a stream; that there is none is one, too.
func first[T any](stream grpc.ServerStreamingClient[T], err error) error {
	if err == nil {
		_, err = stream.Recv()
	}
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}
