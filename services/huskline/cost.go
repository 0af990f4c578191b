package main

import (
	"encoding/json"
	"fmt"
	"strings"

	"huskline/internal/money"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

type costCmd struct {
	Lot costLotCmd `cmd:"" help:"Cost of a lot or finished batch."`
	Run costRunCmd `cmd:"" help:"Cost sheet of a run."`
}

type costLotCmd struct {
	Lot  string `arg:"" help:"Code of the lot."`
	View view   `embed:""`
}

type costRunCmd struct {
	Run_ string `arg:"" name:"run" help:"Code of the run."`
	View view   `embed:""`
}

// costColumns is an amount in its four columns, in dollars.
type costColumns struct {
	PaidStock    json.Number `json:"paid_stock"`
	PaidService  json.Number `json:"paid_service"`
	FinalStock   json.Number `json:"final_stock"`
	FinalService json.Number `json:"final_service"`
}

func columnsOf(c *productionv1.CostAmounts) costColumns {
	return costColumns{
		PaidStock: exact(c.GetPaidStockMicros()), PaidService: exact(c.GetPaidServiceMicros()),
		FinalStock: exact(c.GetFinalStockMicros()), FinalService: exact(c.GetFinalServiceMicros()),
	}
}

// paid and final add the stock and the service column.
func paid(c *productionv1.CostAmounts) int64 {
	return c.GetPaidStockMicros() + c.GetPaidServiceMicros()
}

func final(c *productionv1.CostAmounts) int64 {
	return c.GetFinalStockMicros() + c.GetFinalServiceMicros()
}

// lotCostObject is a lot's cost as programs read it; the first fields keep their names and units for good.
type lotCostObject struct {
	Lot            string       `json:"lot"`
	Item           string       `json:"item"`
	Owner          string       `json:"owner"`
	MadeLb         json.Number  `json:"made_lb"`
	OnHandLb       json.Number  `json:"on_hand_lb"`
	Cost           json.Number  `json:"cost"`
	CostPerLb      *json.Number `json:"cost_per_lb"`
	FinalCostPerLb *json.Number `json:"final_cost_per_lb"`
	*kernelObject
	FinalCost         json.Number `json:"final_cost"`
	CostColumns       costColumns `json:"cost_columns"`
	OnHandCostColumns costColumns `json:"on_hand_cost_columns"`
	Run               string      `json:"run"`
	Provisional       bool        `json:"provisional"`
	ProvisionalCost   json.Number `json:"provisional_cost"`
	AsOf              string      `json:"as_of"`
	Missing           []string    `json:"missing"`
}

// kernelObject is the kernel inside a finished lot.
type kernelObject struct {
	KernelLb             json.Number  `json:"kernel_lb"`
	KernelCostPerLb      *json.Number `json:"kernel_cost_per_lb"`
	FinalKernelCostPerLb *json.Number `json:"final_kernel_cost_per_lb"`
}

// Run asks production and prints the lot's cost.
func (c *costLotCmd) Run(s *session) error {
	known, asOf, err := c.View.parse()
	if err != nil {
		return err
	}
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	l, err := p.production.GetLotCost(s.ctx, &productionv1.GetLotCostRequest{Lot: c.Lot, KnownAt: known, AsOf: asOf})
	if err != nil {
		return rpc.FromStatus(err)
	}
	if err := s.print(answer{object: lotCostOf(l), sheets: lotCostSheets(l)}); err != nil {
		return err
	}
	return incomplete(l.GetMissing())
}

func lotCostOf(l *productionv1.GetLotCostResponse) lotCostObject {
	o := lotCostObject{
		Lot: l.GetLot(), Item: l.GetItem(), Owner: l.GetOwner(), MadeLb: exact(l.GetMade()), OnHandLb: exact(l.GetOnHand()),
		Cost: exact(paid(l.GetCost())), CostPerLb: perPound(paid(l.GetCost()), l.GetMade()), FinalCostPerLb: perPound(final(l.GetCost()), l.GetMade()),
		FinalCost: exact(final(l.GetCost())), CostColumns: columnsOf(l.GetCost()), OnHandCostColumns: columnsOf(l.GetOnHandCost()),
		Run: l.GetRun(), Provisional: provisional(l), ProvisionalCost: exact(l.GetProvisionalMicros()),
		AsOf: printAsOf(l.GetAsOf()), Missing: orEmpty(l.GetMissing()),
	}
	if l.GetFinished() {
		o.kernelObject = &kernelObject{
			KernelLb:        exact(l.GetKernelMicropounds()),
			KernelCostPerLb: perPound(paid(l.GetKernelCost()), l.GetKernelMicropounds()), FinalKernelCostPerLb: perPound(final(l.GetKernelCost()), l.GetKernelMicropounds()),
		}
	}
	return o
}

// booksCaution stands on every cost sheet.
const booksCaution = "Unit costs are ratios, printed and never reckoned with. Books and taxes are for a licensed accountant."

func lotCostSheets(l *productionv1.GetLotCostResponse) []sheet {
	sh := sheet{
		title:   fmt.Sprintf("COST OF LOT %s  item %s  %s%s\nComplete as of %s", l.GetLot(), l.GetItem(), ownerText(l.GetOwner()), madeBy(l.GetRun()), asOfText(l.GetAsOf())),
		columns: []string{"line", "lb", "at prices first paid, $", "with final prices, $", "paid $/lb", "final $/lb"},
		numeric: numericColumns("lb", "at prices first paid, $", "with final prices, $", "paid $/lb", "final $/lb"),
		note:    booksCaution,
	}
	row := func(name string, lb int64, c *productionv1.CostAmounts) {
		sh.rows = append(sh.rows, []string{name, grouped(lb, 3), grouped(paid(c), 2), grouped(final(c), 2), unit(paid(c), lb), unit(final(c), lb)})
	}
	row("made", l.GetMade(), l.GetCost())
	if l.GetCost().GetPaidServiceMicros() != 0 {
		row("  of it service, not stock", l.GetMade(), &productionv1.CostAmounts{PaidServiceMicros: l.GetCost().GetPaidServiceMicros(), FinalServiceMicros: l.GetCost().GetFinalServiceMicros()})
	}
	row("on hand", l.GetOnHand(), l.GetOnHandCost())
	if l.GetFinished() {
		row("kernel inside", l.GetKernelMicropounds(), l.GetKernelCost())
	}
	if provisional(l) {
		sh.note = fmt.Sprintf("Provisional: %s $ of this cost hang on prices not yet settled or on an open run.\n%s", grouped(l.GetProvisionalMicros(), 2), booksCaution)
	}
	return []sheet{sh}
}

// provisional tells whether the cost may still change: an open run, or prices not yet settled.
func provisional(l *productionv1.GetLotCostResponse) bool {
	return l.GetProvisional() || l.GetProvisionalMicros() != 0
}

func madeBy(run string) string {
	if run == "" {
		return ""
	}
	return "  made by run " + run
}

// unit prints dollars per pound with four places, or nothing where there are no pounds.
func unit(micros, micropounds int64) string {
	if micropounds == 0 {
		return ""
	}
	return ratio(micros, micropounds, 4)
}

// runCostObject is a run's cost as programs read it; the first fields keep their names and units for good.
type runCostObject struct {
	Run                  string           `json:"run"`
	InputLb              json.Number      `json:"input_lb"`
	OutputLb             json.Number      `json:"output_lb"`
	UnaccountedLb        json.Number      `json:"unaccounted_lb"`
	Material             json.Number      `json:"material"`
	Conversion           json.Number      `json:"conversion"`
	ByproductCredit      json.Number      `json:"byproduct_credit"`
	KernelLb             json.Number      `json:"kernel_lb"`
	KernelCostPerLb      *json.Number     `json:"kernel_cost_per_lb"`
	FinalKernelCostPerLb *json.Number     `json:"final_kernel_cost_per_lb"`
	Stage                string           `json:"stage"`
	Open                 bool             `json:"open"`
	Basis                string           `json:"basis"`
	MaterialColumns      costColumns      `json:"material_columns"`
	ConversionColumns    costColumns      `json:"conversion_columns"`
	CreditColumns        costColumns      `json:"byproduct_credit_columns"`
	AbnormalLoss         costColumns      `json:"abnormal_loss_columns"`
	Inputs               []costLineObject `json:"inputs"`
	Outputs              []costLineObject `json:"outputs"`
	ProvisionalCost      json.Number      `json:"provisional_cost"`
	AsOf                 string           `json:"as_of"`
	Missing              []string         `json:"missing"`
}

type costLineObject struct {
	Lot      string       `json:"lot"`
	Item     string       `json:"item"`
	Role     string       `json:"role,omitempty"`
	WeightLb json.Number  `json:"weight_lb"`
	SplitOff *json.Number `json:"split_off_price_per_lb,omitempty"`
	Cost     costColumns  `json:"cost"`
}

// Run asks production and prints the run's cost sheet.
func (c *costRunCmd) Run(s *session) error {
	known, asOf, err := c.View.parse()
	if err != nil {
		return err
	}
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	r, err := p.production.GetRunCost(s.ctx, &productionv1.GetRunCostRequest{Run: c.Run_, KnownAt: known, AsOf: asOf})
	if err != nil {
		return rpc.FromStatus(err)
	}
	if err := s.print(answer{object: runCostOf(r), sheets: runCostSheets(r)}); err != nil {
		return err
	}
	return incomplete(r.GetMissing())
}

func runCostOf(r *productionv1.GetRunCostResponse) runCostObject {
	o := runCostObject{
		Run: r.GetRun(), InputLb: exact(r.GetInputMicropounds()), OutputLb: exact(r.GetOutputMicropounds()), UnaccountedLb: exact(r.GetUnaccountedMicropounds()),
		Material: exact(paid(r.GetMaterial())), Conversion: exact(paid(r.GetConversion())), ByproductCredit: exact(paid(r.GetByproductCredit())),
		KernelLb:        exact(r.GetKernelMicropounds()),
		KernelCostPerLb: perPound(paid(r.GetKernelCost()), r.GetKernelMicropounds()), FinalKernelCostPerLb: perPound(final(r.GetKernelCost()), r.GetKernelMicropounds()),
		Stage: r.GetStage(), Open: r.GetOpen(), Basis: r.GetBasis(),
		MaterialColumns: columnsOf(r.GetMaterial()), ConversionColumns: columnsOf(r.GetConversion()), CreditColumns: columnsOf(r.GetByproductCredit()),
		AbnormalLoss: columnsOf(r.GetAbnormalLoss()), Inputs: []costLineObject{}, Outputs: []costLineObject{},
		ProvisionalCost: exact(r.GetProvisionalMicros()), AsOf: printAsOf(r.GetAsOf()), Missing: orEmpty(r.GetMissing()),
	}
	for _, in := range r.GetInputs() {
		o.Inputs = append(o.Inputs, costLineObject{Lot: in.GetLot(), Item: in.GetItem(), WeightLb: exact(in.GetQuantity()), Cost: columnsOf(in.GetCost())})
	}
	for _, out := range r.GetOutputs() {
		line := costLineObject{Lot: out.GetLot(), Item: out.GetItem(), Role: roleText(out.GetRole()), WeightLb: exact(out.GetQuantity()), Cost: columnsOf(out.GetCost())}
		if out.SplitOffMicrosPerLb != nil {
			n := exact(out.GetSplitOffMicrosPerLb())
			line.SplitOff = &n
		}
		o.Outputs = append(o.Outputs, line)
	}
	return o
}

// roleText is an output's role as the season folders write it.
func roleText(r eventv1.OutputRole) string {
	return strings.ToLower(strings.TrimPrefix(r.String(), "OUTPUT_ROLE_"))
}

func runCostSheets(r *productionv1.GetRunCostResponse) []sheet {
	numeric := numericColumns("lb", "paid $", "final $", "paid $/lb", "final $/lb", "split-off $/lb")
	quantity := sheet{
		title: fmt.Sprintf("%s  run %s  stage %s%s\nShared over main outputs by %s\nComplete as of %s\n\nQuantity schedule",
			sheetName(r), r.GetRun(), r.GetStage(), openText(r.GetOpen()), r.GetBasis(), asOfText(r.GetAsOf())),
		columns: []string{"line", "lb"}, numeric: numeric,
		rows: [][]string{
			{"to account for: charged", grouped(r.GetInputMicropounds(), 3)},
			{"accounted for: output", grouped(r.GetOutputMicropounds(), 3)}, {"accounted for: unaccounted", grouped(r.GetUnaccountedMicropounds(), 3)},
		},
		footer: []string{"difference", grouped(r.GetInputMicropounds()-r.GetOutputMicropounds()-r.GetUnaccountedMicropounds(), 3)},
	}
	return []sheet{quantity, costsToAccountFor(r, numeric), costsAccountedFor(r, numeric)}
}

func sheetName(r *productionv1.GetRunCostResponse) string {
	if r.GetKernelMicropounds() != 0 {
		return "KERNEL COST SHEET"
	}
	return "COST SHEET"
}

func openText(open bool) string {
	if open {
		return "  OPEN: its costs are provisional"
	}
	return ""
}

// moneyRow is a line of a table whose dollars add up to the footer's.
type moneyRow struct {
	cells []string // before the dollars
	cost  *productionv1.CostAmounts
	lb    int64
}

// footedRows prints rows whose cents add up to their printed total: the cents are apportioned, so a line may differ from its own rounding by one.
func footedRows(rows []moneyRow, units bool) [][]string {
	keys := make([]string, len(rows))
	sides := [2][]money.Amount{}
	for i, r := range rows {
		keys[i] = fmt.Sprintf("%s %06d", r.cells[0], i)
		sides[0] = append(sides[0], money.Amount(paid(r.cost)))
		sides[1] = append(sides[1], money.Amount(final(r.cost)))
	}
	printedPaid, printedFinal := money.Footed(sides[0], keys), money.Footed(sides[1], keys)
	var out [][]string
	for i, r := range rows {
		row := append(append([]string{}, r.cells...), grouped(int64(printedPaid[i]), 2), grouped(int64(printedFinal[i]), 2))
		if units {
			row = append(row, unit(paid(r.cost), r.lb), unit(final(r.cost), r.lb))
		}
		out = append(out, row)
	}
	return out
}

func costsToAccountFor(r *productionv1.GetRunCostResponse, numeric map[string]bool) sheet {
	sh := sheet{title: "Costs to account for", columns: []string{"line", "lb", "paid $", "final $"}, numeric: numeric}
	var rows []moneyRow
	for _, in := range r.GetInputs() {
		rows = append(rows, moneyRow{cells: []string{"in: lot " + in.GetLot() + " " + in.GetItem(), grouped(in.GetQuantity(), 3)}, cost: in.GetCost()})
	}
	rows = append(rows,
		moneyRow{cells: []string{"conversion charged to this run", ""}, cost: r.GetConversion()},
		moneyRow{cells: []string{"less by-product credit", ""}, cost: negative(r.GetByproductCredit())})
	sh.rows = footedRows(rows, false)
	sh.footer = []string{"net cost to account for", "", grouped(toAccountFor(r, paid), 2), grouped(toAccountFor(r, final), 2)}
	for _, c := range r.GetCharges() {
		kind := strings.ToLower(strings.TrimPrefix(c.GetKind().String(), "CHARGE_KIND_"))
		sh.note += fmt.Sprintf("  charge %s (%s): %s $, for run %s\n", c.GetCharge(), kind, grouped(c.GetAmountMicros(), 2), strings.Join(c.GetRuns(), ", "))
	}
	sh.note = strings.TrimSuffix(sh.note, "\n")
	return sh
}

func negative(c *productionv1.CostAmounts) *productionv1.CostAmounts {
	return &productionv1.CostAmounts{
		PaidStockMicros: -c.GetPaidStockMicros(), PaidServiceMicros: -c.GetPaidServiceMicros(),
		FinalStockMicros: -c.GetFinalStockMicros(), FinalServiceMicros: -c.GetFinalServiceMicros(),
	}
}

func toAccountFor(r *productionv1.GetRunCostResponse, side func(*productionv1.CostAmounts) int64) int64 {
	return side(r.GetMaterial()) + side(r.GetConversion()) - side(r.GetByproductCredit())
}

func costsAccountedFor(r *productionv1.GetRunCostResponse, numeric map[string]bool) sheet {
	sh := sheet{
		title:   "Costs accounted for",
		columns: []string{"output", "role", "lb", "split-off $/lb", "paid $", "final $", "paid $/lb", "final $/lb"}, numeric: numeric,
	}
	var rows []moneyRow
	var credits [][]string
	var sumPaid, sumFinal int64
	for _, o := range r.GetOutputs() {
		price := ""
		if o.SplitOffMicrosPerLb != nil {
			price = ratio(o.GetSplitOffMicrosPerLb(), 1_000_000, 4)
		}
		line := []string{o.GetLot() + " " + o.GetItem(), roleText(o.GetRole()), grouped(o.GetQuantity(), 3), price}
		if o.GetRole() == eventv1.OutputRole_OUTPUT_ROLE_MAIN {
			sumPaid += paid(o.GetCost())
			sumFinal += final(o.GetCost())
			rows = append(rows, moneyRow{cells: line, cost: o.GetCost(), lb: o.GetQuantity()})
			continue
		}
		credits = append(credits, append(line, "", "", "", ""))
	}
	rows = append(rows, moneyRow{cells: []string{"abnormal loss", "", "", ""}, cost: r.GetAbnormalLoss()})
	sh.rows = append(footedRows(rows, true), credits...)
	lossPaid, lossFinal := paid(r.GetAbnormalLoss()), final(r.GetAbnormalLoss())
	sh.footer = []string{"accounted for", "", "", "", grouped(sumPaid+lossPaid, 2), grouped(sumFinal+lossFinal, 2), "", ""}
	sh.note = fmt.Sprintf("Difference (to account for less accounted for): %s $ paid, %s $ final.\n",
		grouped(toAccountFor(r, paid)-sumPaid-lossPaid, 2), grouped(toAccountFor(r, final)-sumFinal-lossFinal, 2))
	if r.GetKernelMicropounds() != 0 {
		sh.note += fmt.Sprintf("KERNEL, all grades: %s lb, %s $ paid = %s $/lb; %s $ final = %s $/lb.\n",
			grouped(r.GetKernelMicropounds(), 3), grouped(paid(r.GetKernelCost()), 2), unit(paid(r.GetKernelCost()), r.GetKernelMicropounds()),
			grouped(final(r.GetKernelCost()), 2), unit(final(r.GetKernelCost()), r.GetKernelMicropounds()))
	}
	if service := paid(r.GetMaterial()) + paid(r.GetConversion()) - r.GetMaterial().GetPaidStockMicros() - r.GetConversion().GetPaidStockMicros(); service != 0 {
		sh.note += fmt.Sprintf("Of the cost to account for %s $ are cost of service on an owner's goods, not stock of ours.\n", grouped(service, 2))
	}
	sh.note += "Cents are apportioned so that columns foot; exact millionths are in --format json.\n" + booksCaution
	return sh
}
