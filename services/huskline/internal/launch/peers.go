package launch

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/test/bufconn"

	"huskline/internal/lot"
	"huskline/internal/rpc"
)

// pipeBytes is the buffer of an in-memory connection.
const pipeBytes = 256 << 10

// switchboard connects services of one process: a server and an in-memory listener per caller, so that the connection is the identity.
type switchboard struct {
	now       func() time.Time
	logger    *slog.Logger
	servers   map[lot.Producer]*grpc.Server
	listeners map[lot.Producer]*bufconn.Listener
	conns     map[lot.Producer]*grpc.ClientConn
}

func newSwitchboard(now func() time.Time, logger *slog.Logger) (*switchboard, error) {
	s := &switchboard{
		now: now, logger: logger,
		servers: map[lot.Producer]*grpc.Server{}, listeners: map[lot.Producer]*bufconn.Listener{}, conns: map[lot.Producer]*grpc.ClientConn{},
	}
	for _, k := range kinds() {
		server, err := rpc.NewServer(rpc.ServerConfig{Peer: k.producer, Logger: logger, Now: now})
		if err != nil {
			return nil, err
		}
		listener := bufconn.Listen(pipeBytes)
		conn, err := rpc.Dial(rpc.DialConfig{Target: string(k.producer), Dialer: func(ctx context.Context, _ string) (net.Conn, error) {
			return listener.DialContext(ctx)
		}})
		if err != nil {
			return nil, err
		}
		s.servers[k.producer], s.listeners[k.producer], s.conns[k.producer] = server, listener, conn
	}
	return s, nil
}

// peersOf is the connections a service calls the others by.
func (s *switchboard) peersOf(caller lot.Producer) map[lot.Producer]grpc.ClientConnInterface {
	out := map[lot.Producer]grpc.ClientConnInterface{}
	for _, k := range kinds() {
		if k.producer != caller {
			out[k.producer] = s.conns[caller]
		}
	}
	return out
}

// serve answers until stop.
func (s *switchboard) serve(services map[lot.Producer]service) {
	for caller, server := range s.servers {
		for _, svc := range services {
			svc.Register(server)
		}
		go func() { _ = server.Serve(s.listeners[caller]) }()
	}
}

func (s *switchboard) stop() error {
	var errs []error
	for caller, server := range s.servers {
		errs = append(errs, s.conns[caller].Close())
		server.Stop()
	}
	return errors.Join(errs...)
}
