package main

import (
	"encoding/json"
	"slices"
	"strings"
	"time"

	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
)

type visitsCmd struct {
	Open bool `help:"Only what is open when the day closes: visits without their last weighing, keyed weights without their reading."`
}

// visitObject is a visit as programs read it.
type visitObject struct {
	Visit     int64             `json:"visit"`
	Plate     string            `json:"plate"`
	Party     string            `json:"party"`
	Open      bool              `json:"open"`
	Opened    string            `json:"opened"`
	Weighings int               `json:"weighings"`
	Lines     []visitLineObject `json:"lines"`
}

type visitLineObject struct {
	Line  int64       `json:"line"`
	Net   json.Number `json:"net_lb"`
	Lot   string      `json:"lot"`
	Marks []string    `json:"marks"`
}

// Run lists visits of vehicles with what they came to.
func (c *visitsCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	sh := sheet{
		title: "VISITS", columns: []string{"visit", "plate", "party", "opened", "weighings", "line", "net lb", "lot", "marks"},
		numeric: numericColumns("visit", "weighings", "line", "net lb"), note: supports,
	}
	if c.Open {
		sh.title = "OPEN VISITS"
	}
	objects := []visitObject{}
	for token := ""; ; {
		page, err := p.visits.ListVisits(s.ctx, &intakev1.ListVisitsRequest{OpenOnly: c.Open, PageSize: 1000, PageToken: token})
		if err != nil {
			return rpc.FromStatus(err)
		}
		for _, v := range page.GetVisits() {
			objects = append(objects, visitObjectOf(v))
			sh.rows = append(sh.rows, visitRows(v)...)
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if !c.Open {
		return s.print(answer{object: map[string]any{"visits": objects}, sheets: []sheet{sh}})
	}
	keyed, weights, err := unmatched(s, p)
	if err != nil {
		return err
	}
	sh.note, keyed.note = "", supports
	return s.print(answer{object: map[string]any{"visits": objects, "keyed_weights": weights}, sheets: []sheet{sh, keyed}})
}

// keyedObject is a keyed weight as programs read it.
type keyedObject struct {
	Keyed  int64       `json:"keyed"`
	Scale  string      `json:"scale"`
	Ticket string      `json:"ticket"`
	Weight json.Number `json:"weight_lb"`
	Time   string      `json:"time"`
	Visit  int64       `json:"visit"`
	Lot    string      `json:"lot"`
}

// unmatched lists the keyed weights for which no reading was found.
func unmatched(s *session, p *plant) (sheet, []keyedObject, error) {
	sh := sheet{
		title: "KEYED WEIGHTS WITHOUT A READING", columns: []string{"keyed", "scale", "ticket", "time", "operator", "visit", "lot", "lb"},
		numeric: numericColumns("keyed", "visit", "lb"),
	}
	objects := []keyedObject{}
	for token := ""; ; {
		page, err := p.visits.ListKeyedWeights(s.ctx, &intakev1.ListKeyedWeightsRequest{UnmatchedOnly: true, PageSize: 1000, PageToken: token})
		if err != nil {
			return sh, nil, rpc.FromStatus(err)
		}
		for _, k := range page.GetWeights() {
			w, at := k.GetWeight(), k.GetWeight().GetTime().AsTime().Format(time.RFC3339)
			objects = append(objects, keyedObject{w.GetKeyed(), w.GetScale(), w.GetTicket(), exact(w.GetMicropounds()), at, k.GetVisit(), k.GetLot()})
			sh.rows = append(sh.rows, []string{
				itoa(w.GetKeyed()), w.GetScale(), w.GetTicket(), at, w.GetOperator(), orDash(k.GetVisit()), k.GetLot(), grouped(w.GetMicropounds(), 3),
			})
		}
		if token = page.GetNextPageToken(); token == "" {
			return sh, objects, nil
		}
	}
}

// orDash is a number, or a dash where there is none.
func orDash(n int64) string {
	if n == 0 {
		return "-"
	}
	return itoa(n)
}

func visitObjectOf(v *intakev1.Visit) visitObject {
	o := visitObject{
		Visit: v.GetVisit(), Plate: v.GetPlate(), Party: v.GetParty(), Open: v.GetOpen(), Opened: v.GetOpened().AsTime().Format(time.RFC3339),
		Weighings: len(v.GetWeighings()), Lines: []visitLineObject{},
	}
	for _, l := range v.GetLines() {
		o.Lines = append(o.Lines, visitLineObject{l.GetLine(), exact(l.GetNetMicropounds()), l.GetLot(), marksOf(l)})
	}
	return o
}

func visitRows(v *intakev1.Visit) [][]string {
	head := []string{itoa(v.GetVisit()), v.GetPlate(), v.GetParty(), v.GetOpened().AsTime().Format(time.RFC3339), itoa(int64(len(v.GetWeighings())))}
	if len(v.GetLines()) == 0 {
		state := "open"
		if !v.GetOpen() {
			state = "closed without a second weight"
		}
		return [][]string{append(head, "", "", "", state)}
	}
	var rows [][]string
	for _, l := range v.GetLines() {
		rows = append(rows, append(slices.Clone(head), itoa(l.GetLine()), grouped(l.GetNetMicropounds(), 3), l.GetLot(), strings.Join(marksOf(l), ", ")))
	}
	return rows
}

// marksOf is what is to be known of a line beside its weight.
func marksOf(l *intakev1.VisitLine) []string {
	out := []string{}
	for _, m := range []struct {
		set  bool
		text string
	}{
		{l.GetDraft() == eventv1.DraftKind_DRAFT_KIND_ENDS, "one end after the other: prices no purchase"}, {l.GetOtherScale(), "two scales"},
		{l.GetDriverDiffers(), "driver on once"}, {l.GetStoredTare(), "stored tare"}, {l.GetKeyed(), "keyed"},
	} {
		if m.set {
			out = append(out, m.text)
		}
	}
	return out
}
