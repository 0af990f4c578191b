package reckon

import "huskline/internal/exact"

// EffectivenessInput is how many consignees a recall reached and the level of checks that its strategy asks for. SharePct belongs to level B alone.
type EffectivenessInput struct {
	Consignees exact.Number  `json:"consignees"`
	Level      string        `json:"level"`
	SharePct   *exact.Number `json:"share_pct,omitempty"`
}

// EffectivenessOutput is how many consignees to ask; none for level B without its share.
type EffectivenessOutput struct {
	Checks *exact.Decimal `json:"checks"`
}

// levelB is between A and C: above 10 % and below 100 %, as the strategy says.
const levelB = "B"

// checkedPct is the share of consignees that a level asks for (21 CFR 7.42(b)(3)).
func checkedPct() map[string]int64 { return map[string]int64{"A": 100, "C": 10, "D": 2, "E": 0} }

// Effectiveness is the number of effectiveness checks of a recall. The rule states no rounding: a share of a consignee is a whole one more.
func Effectiveness(in EffectivenessInput) (EffectivenessOutput, error) {
	if err := exact.First(
		exact.NotNegative("consignees", in.Consignees),
		exact.OneOf("level", in.Level, "A", levelB, "C", "D", "E"),
	); err != nil {
		return EffectivenessOutput{}, err
	}
	if !in.Consignees.IsInt() {
		return EffectivenessOutput{}, exact.Refuse("consignees", "%s is no whole number", in.Consignees)
	}
	share := exact.Int(checkedPct()[in.Level])
	switch {
	case in.Level != levelB && in.SharePct != nil:
		return EffectivenessOutput{}, exact.Refuse("share_pct", "level %s has its own share, only B takes one", in.Level)
	case in.Level == levelB && in.SharePct == nil:
		return EffectivenessOutput{}, nil
	case in.Level == levelB:
		share = *in.SharePct
		if share.Cmp(exact.Int(10)) <= 0 || share.Cmp(exact.Int(100)) >= 0 {
			return EffectivenessOutput{}, exact.Refuse("share_pct", "%s %% is not above 10 and below 100", share)
		}
	}
	checks := in.Consignees.Mul(share.Pct()).Ceil().Plain()
	return EffectivenessOutput{&checks}, nil
}
