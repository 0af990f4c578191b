package main

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/planttest"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// plant is three serve processes and those who call them.
type plant struct {
	*host
	three *planttest.Three

	device    intakev1.IntakeServiceClient // with a token that may post weighings and no more
	desk      intakev1.IntakeServiceClient // an administrator's
	stock     inventoryv1.InventoryServiceClient
	posting   inventoryv1.InventoryServiceClient // with the certificate of the production service
	sequences map[string]int64                   // the last number taken of each scale
}

// pound in micropounds.
const pound = 1_000_000

func newPlant(h *host) *plant {
	p := &plant{host: h, three: planttest.NewThree(h), sequences: map[string]int64{}}
	secret := uuid.NewString() + uuid.NewString()
	p.desk = intakev1.NewIntakeServiceClient(p.dial("intake", p.three.Token, nil))
	p.stock = inventoryv1.NewInventoryServiceClient(p.dial("inventory", p.three.Token, nil))
	digest := sha256.Sum256([]byte(secret))
	_, err := p.desk.IssueToken(h.ctx, &intakev1.IssueTokenRequest{
		CommandId: uuid.NewString(), Name: "scale-house", Roles: []string{"weigh-post"}, SecretSha256: digest[:], Expires: timestamppb.New(time.Now().Add(time.Hour)),
	})
	h.must(err)
	p.device = intakev1.NewIntakeServiceClient(p.dial("intake", secret, nil))
	cert, key := p.three.Authority.Issue(h, "production")
	pair, err := tls.LoadX509KeyPair(cert, key)
	h.must(err)
	p.posting = inventoryv1.NewInventoryServiceClient(p.dial("inventory", "", &pair))
	p.register()
	return p
}

// dial connects to a service over TLS, as the holder of a token or of a certificate.
func (p *plant) dial(service, token string, pair *tls.Certificate) *grpc.ClientConn {
	pool := x509.NewCertPool()
	ca, err := os.ReadFile(p.three.CA)
	p.must(err)
	pool.AppendCertsFromPEM(ca)
	secure := &tls.Config{RootCAs: pool, ServerName: service, MinVersion: tls.VersionTLS13}
	if pair != nil {
		secure.Certificates = []tls.Certificate{*pair}
	}
	conn, err := rpc.Dial(rpc.DialConfig{Target: p.three.Service(service).GRPC, Token: token, TLS: secure})
	p.must(err)
	p.Cleanup(func() { _ = conn.Close() })
	return conn
}

// register makes known what the measurements name: scales with limits, so that the rules for live scales are at work, a seller, an item.
func (p *plant) register() {
	for n := range 64 {
		_, err := p.desk.RegisterScale(p.ctx, &intakev1.RegisterScaleRequest{CommandId: uuid.NewString(), Scale: &intakev1.Scale{
			Scale: fmt.Sprintf("S-%d", n), AccuracyClass: "III L", CapacityMicropounds: 100_000 * pound, DivisionMicropounds: 20 * pound, InService: true,
		}})
		p.must(err)
	}
	_, err := p.desk.RegisterParty(p.ctx, &intakev1.RegisterPartyRequest{CommandId: uuid.NewString(), Party: &eventv1.PartyChanged{
		Party: "GROWER", Roles: []eventv1.PartyRole{eventv1.PartyRole_PARTY_ROLE_SELLER}, Name: "A grower", Address: "1 Levee Road",
	}})
	p.must(err)
	for code, kind := range map[string]eventv1.ItemKind{"NUT": eventv1.ItemKind_ITEM_KIND_IN_SHELL, "HALF": eventv1.ItemKind_ITEM_KIND_KERNEL} {
		_, err = p.desk.RegisterItem(p.ctx, &intakev1.RegisterItemRequest{CommandId: uuid.NewString(), Item: &eventv1.ItemChanged{
			Item: code, Name: code, Kind: kind, Measure: eventv1.Measure_MEASURE_WEIGHT,
		}})
		p.must(err)
	}
}

// delivery is a bought load whose code intake gives.
func delivery() *intakev1.RecordDeliveryRequest {
	return &intakev1.RecordDeliveryRequest{CommandId: uuid.NewString(), Effective: timestamppb.Now(), Delivery: &intakev1.DeliveryFacts{
		Party: "GROWER", Ownership: eventv1.Ownership_OWNERSHIP_COMPANY, Item: "NUT", PriceMicrosPerLb: new(int64(1_250_000)),
		Weighings: []*intakev1.Weighing{
			{Kind: intakev1.ReadingKind_READING_KIND_GROSS, Digits: "38240", Unit: "LBR"},
			{Kind: intakev1.ReadingKind_READING_KIND_TARE, Digits: "31120", Unit: "LBR"},
		},
	}}
}
