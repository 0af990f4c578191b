package intake

import (
	"context"

	"google.golang.org/grpc"

	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// Register offers the service's methods. Readings are judged one by one, so that a bad one does not cost the batch,
// and one that is bad for its texts can be put aside.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	intakev1.RegisterIntakeServiceServer(rpc.Texts(r, "PostReadings", "DiscardReading"), s.parts)
	intakev1.RegisterVisitServiceServer(rpc.Texts(r), s.parts.Visits)
}

// Door is how callers are known and what their calls wait for.
func (s *Service) Door() rpc.Door { return s.desk.Door(s.cfg.Now) }

// Ready is the readiness: "ready", or "degraded" while the bus is away.
func (s *Service) Ready(ctx context.Context) (string, error) { return s.link.Ready(ctx) }
