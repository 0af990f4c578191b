package reckon

import "huskline/internal/exact"

// AdjustedKernelInput is a lot of almonds and its sample, sorted into three weights.
type AdjustedKernelInput struct {
	Edition     exact.Number `json:"edition"` // the year of the rule
	LotLb       exact.Number `json:"lot_lb"`
	EdibleG     exact.Number `json:"edible_g"`
	InedibleG   exact.Number `json:"inedible_g"`
	ForeignG    exact.Number `json:"foreign_g"`
	MoisturePct exact.Number `json:"moisture_pct"`
}

// AdjustedKernelOutput is the weight that the almond order settles by.
type AdjustedKernelOutput struct {
	NetShellOutPct exact.Decimal `json:"net_shell_out_pct"`
	EdibleLb       exact.Decimal `json:"edible_lb"`
	InedibleLb     exact.Decimal `json:"inedible_lb"`
	AdjustedLb     exact.Decimal `json:"adjusted_lb"`
}

// The rule of 7 CFR 981.401 as it stood in 2017. It was revised by 83 FR 28523, effective 20 July 2018; that text is not held here, so the edition is
// asked for and no other is known.
const (
	almondEdition = "2017"
	// freeMoisturePct is the moisture above which the excess is deducted.
	freeMoisturePct = 5
	// processingLossPct comes off the edible percentage where kernels are under processingFreePct of the sample.
	processingLossPct = 1
	processingFreePct = 95
)

// AdjustedKernel is the almond order's adjusted kernel weight: the edible percentage of the sample less processing loss and less excess moisture
// times the percentage itself (linear, which is not the dry-matter rule of Shrink), and the inedible one less excess moisture only.
func AdjustedKernel(in AdjustedKernelInput) (AdjustedKernelOutput, error) {
	if err := exact.First(
		exact.OneOf("edition", in.Edition.String(), almondEdition),
		exact.NotNegative("lot_lb", in.LotLb),
		exact.NotNegative("edible_g", in.EdibleG),
		exact.NotNegative("inedible_g", in.InedibleG),
		exact.NotNegative("foreign_g", in.ForeignG),
		exact.BelowHundred("moisture_pct", in.MoisturePct),
	); err != nil {
		return AdjustedKernelOutput{}, err
	}
	sample := exact.Sum(in.EdibleG, in.InedibleG, in.ForeignG)
	if sample.Sign() == 0 {
		return AdjustedKernelOutput{}, exact.Refuse("edible_g", "the sample weighs nothing")
	}
	hundred := exact.Int(100)
	edible, inedible := in.EdibleG.Mul(hundred).Quo(sample), in.InedibleG.Mul(hundred).Quo(sample)
	kept := exact.Int(1)
	if excess := in.MoisturePct.Sub(exact.Int(freeMoisturePct)); excess.Sign() > 0 {
		kept = kept.Sub(excess.Pct())
	}
	net := edible.Mul(kept)
	if edible.Add(inedible).Cmp(exact.Int(processingFreePct)) < 0 {
		net = net.Sub(exact.Int(processingLossPct))
	}
	if net.Sign() < 0 {
		return AdjustedKernelOutput{}, exact.Refuse("edible_g", "the deductions leave %s %% of the lot, which is below 0", net)
	}
	step := exact.Thousandths()
	edibleLb := step.Round(in.LotLb.Mul(net.Pct()))
	inedibleLb := step.Round(in.LotLb.Mul(inedible).Mul(kept).Pct())
	return AdjustedKernelOutput{net.Fixed(3), edibleLb, inedibleLb, step.Total([]exact.Decimal{edibleLb, inedibleLb})}, nil
}
