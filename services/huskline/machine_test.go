package main

import (
	"context"
	"crypto/tls"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/planttest"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// units weighs one delivery on four scales in four units. Factors: NIST Handbook 44, appendix C: 1 lb = 0.45359237 kg exactly, 16 oz, 2,000 lb the
// short ton. It catches a factor, and a sum that is rounded more than once for each reading.
func units(t *testing.T, _ *planttest.Three, tr *trade) {
	req := tr.delivery("U-D", 1, 1_000_000, 1)
	req.Delivery.Weighings = nil
	for _, w := range []struct {
		kind         intakev1.ReadingKind
		digits, unit string
	}{
		{intakev1.ReadingKind_READING_KIND_GROSS, "1.25", "STN"},   // 2,500 lb
		{intakev1.ReadingKind_READING_KIND_GROSS, "100", "KGM"},    // 220.46226218 lb, half to even 220.462262
		{intakev1.ReadingKind_READING_KIND_NET, "0.5", "ONZ"},      // 0.03125 lb
		{intakev1.ReadingKind_READING_KIND_TARE, "45.3592", "KGM"}, // 99.99991843 lb, half to even 99.999918
		{intakev1.ReadingKind_READING_KIND_TARE, "20.5", "LBR"},
	} {
		req.Delivery.Weighings = append(req.Delivery.Weighings, &intakev1.Weighing{Kind: w.kind, Digits: w.digits, Unit: w.unit})
	}
	const want = 2_500_000_000 + 220_462_262 + 31_250 - 99_999_918 - 20_500_000
	if got := done(t, tr.intake.RecordDelivery, req).GetNetMicropounds(); got != want {
		t.Errorf("net of the delivery: %s lb, want %s", micro(got, 1), micro(want, 1))
	}
}

// machines calls as machines do, with certificates. It catches a method between services that a person's token opens, a certificate of another
// authority, and a name that is no service's.
func machines(t *testing.T, p *planttest.Three, tr *trade) {
	movement := &inventoryv1.PostMovementRequest{CommandId: id("machines"), Try: 1, Effective: tr.at(1, 0), Movement: &inventoryv1.PostMovementRequest_Run{
		Run: &eventv1.RunPosted{Run: "M-R", Version: 1, Stage: "shell", Inputs: []*eventv1.RunInput{{Line: 1, Lot: "T-N1", Quantity: 1, At: tr.at(1, 0)}}},
	}}
	if _, err := tr.inventory.PostMovement(t.Context(), movement); fault.KindOf(rpc.FromStatus(err)) != fault.KindDenied {
		t.Errorf("an administrator posts a movement: %v; want denied", err)
	}
	for _, tt := range []struct {
		name, subject string
		authority     *planttest.Authority
		kind          fault.Kind
	}{
		{"another authority", "production", planttest.NewAuthority(t), fault.KindUnavailable},
		{"a name that is no service's", "stranger", p.Authority, fault.KindUnauthenticated},
	} {
		secure, err := callerTLS(p.CA)
		require.NoError(t, err)
		cert, key := tt.authority.Issue(t, tt.subject)
		pair, err := tls.LoadX509KeyPair(cert, key)
		require.NoError(t, err)
		secure.Certificates, secure.ServerName = []tls.Certificate{pair}, "inventory"
		addrs, err := parseAddr(p.Addr())
		require.NoError(t, err)
		conn, err := rpc.Dial(rpc.DialConfig{Target: addrs["inventory"], TLS: secure})
		require.NoError(t, err)
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		_, err = inventoryv1.NewInventoryServiceClient(conn).PostMovement(ctx, movement)
		cancel()
		if got := fault.KindOf(rpc.FromStatus(err)); got != tt.kind {
			t.Errorf("%s: %v (kind %d), want kind %d", tt.name, err, got, tt.kind)
		}
		require.NoError(t, conn.Close())
	}
}
