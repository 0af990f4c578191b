package ticket

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/lot"
	"huskline/internal/weight"
)

func at(hour int) time.Time { return time.Date(2025, 11, 3, hour, 0, 0, 0, time.UTC) }

// What a ticket holds follows what state texts ask of weigh tickets (Washington RCW 15.80.530, Ohio 901:7-2-03): number, date, commodity, parties,
// gross, tare, net, plate, means of transport, driver on or off, moisture, weighmaster.
func TestText(t *testing.T) {
	t.Parallel()
	issued := State{Issued: at(12), TicketIssued: lot.TicketIssued{
		Series: "W", Number: 12, Visit: 7, Line: 1, Plate: "AB1234", Party: "S1", PartyName: "a seller", Item: "NUT", ItemName: "nuts", Variety: "Pawnee",
		Lot: "D-1", MoisturePPM: 53_000, Replaces: 11, Place: "Millbrook", Weigher: "anna",
		Gross: lot.TicketWeight{Mass: 48_020 * weight.Pound, Draft: lot.SingleDraft, DriverOn: true, Weigher: "anna", Indications: []lot.Indication{
			{Scale: "W1", Sequence: 1, Digits: "48020", Unit: "LBR", Time: at(7)},
		}},
		Tare: lot.TicketWeight{Mass: 26_014_545_381, Draft: lot.EndsDraft, Weigher: "ben", Keyed: true, Tare: 4, Indications: []lot.Indication{
			{Scale: "W1", Keyed: 3, Digits: "5900", Unit: "KGM", Time: at(9)}, {Digits: "5900", Unit: "KGM", Time: at(9)},
		}},
		Net: 22_005_454_619,
	}, Fates: []Fate{
		{lot.TicketMarked{Mark: lot.TicketReprinted, Count: 1, Reason: "lost", By: "ben"}, at(13)},
		{lot.TicketMarked{Mark: lot.TicketVoid, Reason: "wrong\nparty", By: "anna"}, at(14)},
	}}
	want := `WEIGH TICKET W-000012
VOID       2025-11-03 14:00:00 UTC, by anna: wrong party
REPRINT    1, 2025-11-03 13:00:00 UTC, by ben: lost

Date       2025-11-03 12:00:00 UTC
Place      Millbrook
Consignor  a seller (S1)
Commodity  nuts (NUT), Pawnee
Lot        D-1
Transport  vehicle, inbound
Replaces   ticket W-000011
Plate      AB1234, visit 7, line 1

Gross               48020 lb
  2025-11-03 07:00:00 UTC, 48020 LBR, scale W1, number 1
  single, driver on, weighed by anna
Tare         26014.545381 lb
  2025-11-03 09:00:00 UTC, 5900 KGM, scale W1, KEYED 3
  2025-11-03 09:00:00 UTC, 5900 KGM, KEYED TARE
  one end after the other, driver off, weighed by ben
  STORED TARE 4
Net          22005.454619 lb
Moisture   5.3 %
Weighed one end after the other: this weight prices no purchase.
The driver was on for one weighing and off for the other.

Weigher    anna
Signature  ______________________________

Huskline supports the sealed scale and the licensed weighmaster
and replaces neither.
`
	if diff := cmp.Diff(want, issued.Text()); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
	outbound := issued
	outbound.Outbound, outbound.MoisturePPM, outbound.Fates = true, -1, nil
	if text := outbound.Text(); !strings.Contains(text, "Consignee  a seller") || strings.Contains(text, "Moisture") || strings.Contains(text, "REPRINT") {
		t.Errorf("goods that left, moisture not known, nothing became of it:\n%s", text)
	}
}
