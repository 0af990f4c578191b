package season

import "encoding/json"

// Expected is expected.json. Numbers are kept as they were written, so that no float comes between; a null or absent one is "".
type Expected struct {
	Season    map[string]json.Number
	Final     map[string]json.Number
	Weighings map[string]json.Number
	Runs      map[string]ExpectedRun
	Lots      map[string]ExpectedLot
	Drills    []ExpectedDrill
	Origins   map[string]map[string]json.Number // lot: delivery or bought lot: share
}

// ExpectedRun is a run's mass balance (pounds) and cost (dollars).
type ExpectedRun struct {
	InputLB         json.Number `json:"input_lb"`
	OutputLB        json.Number `json:"output_lb"`
	UnaccountedLB   json.Number `json:"unaccounted_lb"`
	Material        json.Number `json:"material"`
	Conversion      json.Number `json:"conversion"`
	ByproductCredit json.Number `json:"byproduct_credit"`
	KernelLB        json.Number `json:"kernel_lb"`
	KernelCostPerLB json.Number `json:"kernel_cost_per_lb"`
}

// ExpectedLot is a lot's quantities (pounds) and costs (dollars, dollars per pound). Kernel fields are those of finished lots.
type ExpectedLot struct {
	Item                 string      `json:"item"`
	Owner                string      `json:"owner"`
	MadeLB               json.Number `json:"made_lb"`
	OnHandLB             json.Number `json:"on_hand_lb"`
	Cost                 json.Number `json:"cost"`
	CostPerLB            json.Number `json:"cost_per_lb"`
	FinalCostPerLB       json.Number `json:"final_cost_per_lb"`
	KernelLB             json.Number `json:"kernel_lb"`
	KernelCostPerLB      json.Number `json:"kernel_cost_per_lb"`
	FinalKernelCostPerLB json.Number `json:"final_kernel_cost_per_lb"`
}

// ExpectedDrill is the recall drill of one lot. ReturnedLB is "" in a season without returns.
type ExpectedDrill struct {
	Lot              string      `json:"lot"`
	AffectedLots     []string    `json:"affected_lots"`
	Ancestors        []string    `json:"ancestors"`
	Shipments        []string    `json:"shipments"`
	Customers        []string    `json:"customers"`
	ShippedLB        json.Number `json:"shipped_lb"`
	ReturnedLB       json.Number `json:"returned_lb"`
	OnHandLB         json.Number `json:"on_hand_lb"`
	ReceivedOrMadeLB json.Number `json:"received_or_made_lb"`
	UsedLB           json.Number `json:"used_lb"`
	OwnShippedLB     json.Number `json:"own_shipped_lb"`
	AdjustedLB       json.Number `json:"adjusted_lb"`
	OwnOnHandLB      json.Number `json:"own_on_hand_lb"`
	AccountedPct     json.Number `json:"accounted_pct"`
}
