package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// view is how a question is asked of the past.
type view struct {
	KnownAt string   `help:"Read the facts known at this time (RFC 3339 with zone)." placeholder:"TIME"`
	AsOf    []string `help:"Read exactly these positions, as printed by an earlier answer." placeholder:"PRODUCER/EPOCH/POSITION" sep:","`
}

// parse gives the two ways of asking; they exclude each other.
func (v view) parse() (*timestamppb.Timestamp, []*eventv1.Receipt, error) {
	if v.KnownAt != "" && len(v.AsOf) > 0 {
		return nil, nil, usageError{fmt.Errorf("--known-at and --as-of exclude each other")}
	}
	at, err := parseTime("--known-at", v.KnownAt)
	if err != nil {
		return nil, nil, err
	}
	var positions []*eventv1.Receipt
	for _, text := range v.AsOf {
		r, err := rpc.ParseReceipt(text)
		if err != nil {
			return nil, nil, usageError{err}
		}
		positions = append(positions, &eventv1.Receipt{Producer: string(r.Producer), Epoch: r.Epoch, Position: r.Position})
	}
	return at, positions, nil
}

func parseTime(flag, text string) (*timestamppb.Timestamp, error) {
	if text == "" {
		return nil, nil
	}
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return nil, usageError{fmt.Errorf("%s %q: it reads like 2025-11-25T08:00:00Z, with a zone", flag, text)}
	}
	return timestamppb.New(at), nil
}

// printAsOf prints positions the way --as-of reads them.
func printAsOf(positions []*eventv1.Receipt) string {
	var out []string
	for _, r := range positions {
		out = append(out, fmt.Sprintf("%s/%d/%d", r.GetProducer(), r.GetEpoch(), r.GetPosition()))
	}
	return strings.Join(out, ",")
}

// asOfText is printAsOf for people: it says what a position of nothing means.
func asOfText(positions []*eventv1.Receipt) string {
	text := printAsOf(positions)
	for _, r := range positions {
		if r.GetEpoch() > 1 && r.GetPosition() == 0 {
			return text + fmt.Sprintf("\n(%s/%d/0: right after a restore from a backup; all that was recorded before it is in)", r.GetProducer(), r.GetEpoch())
		}
	}
	return text
}

type drillCmd struct {
	Lot  string `arg:"" help:"Code of the lot."`
	At   string `help:"Leave out what happened after this time (RFC 3339 with zone)." placeholder:"TIME"`
	View view   `embed:""`
}

// drillObject is the drill as programs read it; the first fields keep their names and units for good.
type drillObject struct {
	Lot              string         `json:"lot"`
	AffectedLots     []string       `json:"affected_lots"`
	Ancestors        []string       `json:"ancestors"`
	Shipments        []string       `json:"shipments"`
	Customers        []string       `json:"customers"`
	ShippedLb        json.Number    `json:"shipped_lb"`
	ReturnedLb       json.Number    `json:"returned_lb"`
	OnHandLb         json.Number    `json:"on_hand_lb"`
	ReceivedOrMadeLb json.Number    `json:"received_or_made_lb"`
	UsedLb           json.Number    `json:"used_lb"`
	OwnShippedLb     json.Number    `json:"own_shipped_lb"`
	AdjustedLb       json.Number    `json:"adjusted_lb"`
	OwnOnHandLb      json.Number    `json:"own_on_hand_lb"`
	AccountedPct     json.Number    `json:"accounted_pct"`
	Item             string         `json:"item"`
	Owner            string         `json:"owner"`
	Holds            []string       `json:"holds"`
	AffectedDetail   []lotObject    `json:"affected"`
	AncestorDetail   []lotObject    `json:"ancestor_lots"`
	ShipmentLines    []shipObject   `json:"shipment_lines"`
	Consignees       []partyObject  `json:"consignees"`
	ReceivedFrom     []sourceObject `json:"received_from"`
	Runs             []runObject    `json:"runs"`
	At               string         `json:"at"`
	KnownAt          string         `json:"known_at"`
	AsOf             string         `json:"as_of"`
	Missing          []string       `json:"missing"`
	Exercise         string         `json:"caution"`
}

type lotObject struct {
	Lot      string      `json:"lot"`
	Item     string      `json:"item"`
	Owner    string      `json:"owner"`
	MadeLb   json.Number `json:"made_lb"`
	OnHandLb json.Number `json:"on_hand_lb"`
	Places   []string    `json:"places"`
	Holds    []string    `json:"holds"`
}

type shipObject struct {
	Shipment   string      `json:"shipment"`
	Line       int64       `json:"line"`
	Lot        string      `json:"lot"`
	WeightLb   json.Number `json:"weight_lb"`
	ReturnedLb json.Number `json:"returned_lb"`
	Time       string      `json:"time"`
	Consignee  string      `json:"consignee"`
	Channel    string      `json:"channel"`
	Carrier    string      `json:"carrier"`
	Document   string      `json:"document"`
}

type partyObject struct {
	Party    string      `json:"party"`
	Name     string      `json:"name"`
	Address  string      `json:"address"`
	Phone    string      `json:"phone"`
	WeightLb json.Number `json:"weight_lb"`
}

type sourceObject struct {
	Lot         string      `json:"lot"`
	Item        string      `json:"item"`
	WeightLb    json.Number `json:"weight_lb"`
	Received    string      `json:"received"`
	Party       string      `json:"party"`
	Name        string      `json:"name"`
	Address     string      `json:"address"`
	Phone       string      `json:"phone"`
	SupplierLot string      `json:"supplier_lot"`
	Carrier     string      `json:"carrier"`
	Document    string      `json:"document"`
}

type runObject struct {
	Run           string      `json:"run"`
	Stage         string      `json:"stage"`
	InputLb       json.Number `json:"input_lb"`
	OutputLb      json.Number `json:"output_lb"`
	UnaccountedLb json.Number `json:"unaccounted_lb"`
	Open          bool        `json:"open"`
}

// caution stands on every drill: the decision is never the program's.
const caution = "Exercise. Whether to recall, and what, is decided by a qualified person under the law; tell quality before you act on this page."

// Run asks inventory and prints the drill.
func (c *drillCmd) Run(s *session) error {
	at, err := parseTime("--at", c.At)
	if err != nil {
		return err
	}
	known, asOf, err := c.View.parse()
	if err != nil {
		return err
	}
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	d, err := p.inventory.Drill(s.ctx, &inventoryv1.DrillRequest{Lot: c.Lot, At: at, KnownAt: known, AsOf: asOf})
	if err != nil {
		return rpc.FromStatus(err)
	}
	object := drillOf(d)
	object.At, object.KnownAt = c.At, c.View.KnownAt
	if err := s.print(answer{object: object, sheets: drillSheets(d, c.asked()...)}); err != nil {
		return err
	}
	return incomplete(d.GetMissing())
}

// asked says how the question was narrowed, so that two pages with other figures never look the same.
func (c *drillCmd) asked() []string {
	var out []string
	if c.At != "" {
		out = append(out, "Without what happened after "+c.At)
	}
	if c.View.KnownAt != "" {
		out = append(out, "As known at "+c.View.KnownAt)
	}
	return out
}

// incomplete turns what an answer lacks into a failure that names it: the answer was printed, and it must not be taken for complete.
func incomplete(missing []string) error {
	if len(missing) == 0 {
		return nil
	}
	return fault.Unavailable("answer_incomplete", "the answer is incomplete: %s", strings.Join(missing, "; "))
}

func drillOf(d *inventoryv1.DrillResponse) drillObject {
	o := drillObject{
		Lot: d.GetLot(), AffectedLots: codes(d.GetAffected()), Ancestors: codes(d.GetAncestors()), Shipments: []string{}, Customers: []string{},
		ShippedLb: exact(d.GetShipped()), ReturnedLb: exact(d.GetReturned()), OnHandLb: exact(d.GetOnHand()),
		ReceivedOrMadeLb: exact(d.GetOwnReceivedOrMade()), UsedLb: exact(d.GetOwnUsed()), OwnShippedLb: exact(d.GetOwnShipped()),
		AdjustedLb: exact(d.GetOwnAdjusted()), OwnOnHandLb: exact(d.GetOwnOnHand()), AccountedPct: exact(d.GetAccountedPpmPct()),
		Item: d.GetItem(), Owner: d.GetOwner(), Holds: orEmpty(d.GetHolds()), Missing: orEmpty(d.GetMissing()),
		AffectedDetail: lotObjects(d.GetAffected()), AncestorDetail: lotObjects(d.GetAncestors()),
		ShipmentLines: []shipObject{}, Consignees: []partyObject{}, Runs: []runObject{},
		AsOf: printAsOf(d.GetAsOf()), Exercise: caution,
	}
	for _, l := range d.GetShipments() {
		if n := len(o.Shipments); n == 0 || o.Shipments[n-1] != l.GetShipment() {
			o.Shipments = append(o.Shipments, l.GetShipment())
		}
		o.ShipmentLines = append(o.ShipmentLines, shipObject{
			Shipment: l.GetShipment(), Line: l.GetLine(), Lot: l.GetLot(), WeightLb: exact(l.GetQuantity()), ReturnedLb: exact(l.GetReturned()),
			Time: printTime(l.GetTime()), Consignee: l.GetConsignee(), Channel: l.GetChannel(), Carrier: l.GetCarrier(), Document: l.GetDocument(),
		})
	}
	for _, c := range d.GetConsignees() {
		o.Customers = append(o.Customers, c.GetParty())
		o.Consignees = append(o.Consignees, partyObject{
			Party: c.GetParty(), Name: c.GetName(), Address: c.GetAddress(), Phone: c.GetPhone(), WeightLb: exact(c.GetQuantity()),
		})
	}
	for _, r := range d.GetRuns() {
		o.Runs = append(o.Runs, runObject{
			Run: r.GetRun(), Stage: r.GetStage(), InputLb: exact(r.GetInput()), OutputLb: exact(r.GetOutput()),
			UnaccountedLb: exact(r.GetUnaccounted()), Open: r.GetOpen(),
		})
	}
	o.ReceivedFrom = []sourceObject{}
	for _, l := range d.GetReceivedFrom() {
		o.ReceivedFrom = append(o.ReceivedFrom, sourceObject{
			Lot: l.GetLot(), Item: l.GetItem(), WeightLb: exact(l.GetQuantity()), Received: printTime(l.GetReceived()), Party: l.GetParty(), Name: l.GetName(),
			Address: l.GetAddress(), Phone: l.GetPhone(), SupplierLot: l.GetSupplierLot(), Carrier: l.GetCarrier(), Document: l.GetDocument(),
		})
	}
	slices.Sort(o.Customers)
	return o
}

func codes(lots []*inventoryv1.AffectedLot) []string {
	out := []string{}
	for _, l := range lots {
		out = append(out, l.GetLot())
	}
	return out
}

func lotObjects(lots []*inventoryv1.AffectedLot) []lotObject {
	out := []lotObject{}
	for _, l := range lots {
		places := []string{}
		for _, b := range l.GetBalances() {
			places = append(places, b.GetPlace())
		}
		out = append(out, lotObject{
			Lot: l.GetLot(), Item: l.GetItem(), Owner: l.GetOwner(), MadeLb: exact(l.GetMade()), OnHandLb: exact(l.GetOnHand()),
			Places: places, Holds: orEmpty(l.GetHolds()),
		})
	}
	return out
}

func orEmpty(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}

func printTime(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().Format(time.RFC3339)
}

func drillSheets(d *inventoryv1.DrillResponse, asked ...string) []sheet {
	lines := append([]string{
		fmt.Sprintf("RECALL DRILL  lot %s  item %s  %s", d.GetLot(), d.GetItem(), ownerText(d.GetOwner())), caution, "Complete as of " + asOfText(d.GetAsOf()),
	}, asked...)
	if len(d.GetHolds()) > 0 {
		lines = append(lines, "HELD: "+strings.Join(d.GetHolds(), ", "))
	}
	head := sheet{title: strings.Join(lines, "\n")}
	if len(d.GetMissing()) > 0 {
		head.note = "NOT COMPLETE: " + strings.Join(d.GetMissing(), "; ")
	}
	balance := sheet{
		title: "Mass balance of the lot (lb)", columns: []string{"line", "lb"}, numeric: numericColumns("lb"),
		rows: [][]string{
			{"received or made", grouped(d.GetOwnReceivedOrMade(), 3)}, {"used in runs and pours", grouped(d.GetOwnUsed(), 3)},
			{"shipped", grouped(d.GetOwnShipped(), 3)}, {"adjusted", grouped(d.GetOwnAdjusted(), 3)}, {"on hand", grouped(d.GetOwnOnHand(), 3)},
		},
		footer: []string{"accounted for, %", ratio(d.GetAccountedPpmPct(), 1_000_000, 4)},
	}
	return []sheet{head, balance, receivedSheet(d.GetReceivedFrom()), lotSheet("Made from", d.GetAncestors()), lotSheet("Affected lots", d.GetAffected()), runSheet(d.GetRuns()), shipmentSheet(d), consigneeSheet(d)}
}

func receivedSheet(lots []*inventoryv1.ReceivedFrom) sheet {
	if len(lots) == 0 {
		return sheet{title: "Received from: nobody is known"}
	}
	sh := sheet{
		title:   fmt.Sprintf("Received from: %d deliveries and bought lots", len(lots)),
		columns: []string{"lot", "item", "lb", "received", "party", "name", "telephone", "address", "supplier's lot"}, numeric: numericColumns("lb"),
	}
	var total int64
	for _, l := range lots {
		total += l.GetQuantity()
		sh.rows = append(sh.rows, []string{l.GetLot(), l.GetItem(), grouped(l.GetQuantity(), 3), printTime(l.GetReceived()), l.GetParty(), l.GetName(), l.GetPhone(), l.GetAddress(), l.GetSupplierLot()})
	}
	sh.footer = []string{"in all", "", grouped(total, 3), "", "", "", "", "", ""}
	return sh
}

func ownerText(owner string) string {
	if owner == "" {
		return "owner: the company"
	}
	return "owner: " + owner
}

func lotSheet(title string, lots []*inventoryv1.AffectedLot) sheet {
	if len(lots) == 0 {
		return sheet{title: title + ": nothing"}
	}
	sh := sheet{title: fmt.Sprintf("%s: %d lots (whole lots, not shares)", title, len(lots)), columns: []string{"lot", "item", "owner", "made lb", "on hand lb", "holds"}, numeric: numericColumns("made lb", "on hand lb")}
	var onHand int64
	for _, l := range lots {
		onHand += l.GetOnHand()
		sh.rows = append(sh.rows, []string{l.GetLot(), l.GetItem(), l.GetOwner(), grouped(l.GetMade(), 3), grouped(l.GetOnHand(), 3), strings.Join(l.GetHolds(), " ")})
	}
	sh.footer = []string{"on hand in all", "", "", "", grouped(onHand, 3), ""}
	return sh
}

func runSheet(runs []*inventoryv1.RunBalance) sheet {
	if len(runs) == 0 {
		return sheet{title: "Runs on the way: none"}
	}
	sh := sheet{title: fmt.Sprintf("Runs on the way: %d", len(runs)), columns: []string{"run", "stage", "in lb", "out lb", "unaccounted lb", "state"}, numeric: numericColumns("in lb", "out lb", "unaccounted lb")}
	for _, r := range runs {
		state := ""
		if r.GetOpen() {
			state = "open"
		}
		sh.rows = append(sh.rows, []string{r.GetRun(), r.GetStage(), grouped(r.GetInput(), 3), grouped(r.GetOutput(), 3), grouped(r.GetUnaccounted(), 3), state})
	}
	return sh
}

func shipmentSheet(d *inventoryv1.DrillResponse) sheet {
	if len(d.GetShipments()) == 0 {
		return sheet{title: "Shipment lines: none"}
	}
	sh := sheet{title: fmt.Sprintf("Shipment lines: %d", len(d.GetShipments())), columns: []string{"shipment", "lot", "lb", "came back lb", "time", "consignee", "channel"}, numeric: numericColumns("lb", "came back lb")}
	for _, l := range d.GetShipments() {
		sh.rows = append(sh.rows, []string{l.GetShipment(), l.GetLot(), grouped(l.GetQuantity(), 3), grouped(l.GetReturned(), 3), printTime(l.GetTime()), l.GetConsignee(), l.GetChannel()})
	}
	sh.footer = []string{"in all", "", grouped(d.GetShipped(), 3), grouped(d.GetReturned(), 3), "", "", ""}
	return sh
}

func consigneeSheet(d *inventoryv1.DrillResponse) sheet {
	if len(d.GetConsignees()) == 0 {
		return sheet{title: "Consignees: none"}
	}
	back := map[string]int64{}
	for _, l := range d.GetShipments() {
		back[l.GetConsignee()] += l.GetReturned()
	}
	sh := sheet{
		title:   fmt.Sprintf("Consignees: %d", len(d.GetConsignees())),
		columns: []string{"party", "name", "shipped lb", "came back lb", "still out lb", "telephone", "address"},
		numeric: numericColumns("shipped lb", "came back lb", "still out lb"),
	}
	var total, returned int64
	for _, c := range d.GetConsignees() {
		total += c.GetQuantity()
		returned += back[c.GetParty()]
		sh.rows = append(sh.rows, []string{c.GetParty(), c.GetName(), grouped(c.GetQuantity(), 3), grouped(back[c.GetParty()], 3),
			grouped(c.GetQuantity()-back[c.GetParty()], 3), c.GetPhone(), c.GetAddress()})
	}
	sh.footer = []string{"in all", "", grouped(total, 3), grouped(returned, 3), grouped(total-returned, 3), "", ""}
	return sh
}
