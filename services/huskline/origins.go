package main

import (
	"encoding/json"
	"fmt"

	"huskline/internal/rpc"
	"huskline/internal/weight"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

type originsCmd struct {
	Lot  string `arg:"" help:"Code of the lot."`
	View view   `embed:""`
}

// sharePlaces is how shares are carried: whole parts of 10^18.
const sharePlaces = 18

// Run asks inventory and prints the shares, which add up to one.
func (c *originsCmd) Run(s *session) error {
	known, asOf, err := c.View.parse()
	if err != nil {
		return err
	}
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	o, err := p.inventory.Origins(s.ctx, &inventoryv1.OriginsRequest{Lot: c.Lot, KnownAt: known, AsOf: asOf})
	if err != nil {
		return rpc.FromStatus(err)
	}
	shares := map[string]json.Number{}
	sh := sheet{
		title:   fmt.Sprintf("ORIGINS of lot %s\nComplete as of %s", o.GetLot(), asOfText(o.GetAsOf())),
		columns: []string{"lot", "party", "item", "share %"}, numeric: numericColumns("share %"),
	}
	var total int64
	for _, origin := range o.GetOrigins() {
		shares[origin.GetLot()] = json.Number(weight.FormatDecimal(origin.GetShare(), sharePlaces, 1))
		total += origin.GetShare()
		sh.rows = append(sh.rows, []string{origin.GetLot(), origin.GetParty(), origin.GetItem(), sharePct(origin.GetShare())})
	}
	sh.footer = []string{"in all", "", "", sharePct(total)}
	object := struct {
		Lot     string                 `json:"lot"`
		Origins map[string]json.Number `json:"origins"`
		AsOf    string                 `json:"as_of"`
		Missing []string               `json:"missing"`
	}{o.GetLot(), shares, printAsOf(o.GetAsOf()), orEmpty(o.GetMissing())}
	if err := s.print(answer{object: object, sheets: []sheet{sh}}); err != nil {
		return err
	}
	return incomplete(o.GetMissing())
}

func sharePct(share int64) string { return ratio(share, 1e16, 4) }
