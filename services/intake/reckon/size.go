package reckon

import (
	"strings"

	"huskline/internal/exact"
)

// sizeStandard is one edition of a table of sizes by count per pound.
type sizeStandard struct {
	name, edition string
	classes       []sizeLimit
	// tenSmallest is set where the standard has a second test: the ten smallest of a hundred weigh at least 7 % of all.
	tenSmallest bool
}

// sizeLimit is a class and the most nuts or halves in a pound; none for the last class of a closed table.
type sizeLimit struct {
	class string
	most  int64
}

const (
	unlimited = -1
	// leastTenSmallestPct is the second test of both in-shell standards.
	leastTenSmallestPct = 7
)

func sizeStandards() []sizeStandard {
	return []sizeStandard{
		// 7 CFR 51.1404, in force since 26 July 2024 (89 FR 53339).
		{"pecan-in-shell", "2024", []sizeLimit{{"Jumbo", 55}, {"Extra Large", 63}, {"Large", 77}, {"Medium", 100}, {"Small", unlimited}}, true},
		// United States Standards for Grades of Pecans in the Shell, 1976 (41 FR 39303), former 7 CFR 51.1402: nothing above 120.
		{"pecan-in-shell", "1976", []sizeLimit{{"Oversize", 55}, {"Extra large", 63}, {"Large", 77}, {"Medium", 95}, {"Small", 120}}, true},
		// United States Standards for Grades of Shelled Pecans, former 7 CFR 51.1437.
		{"pecan-halves", "1969", []sizeLimit{{"Mammoth", 250}, {"Junior mammoth", 300}, {"Jumbo", 350}, {"Extra large", 450}, {"Large", 550},
			{"Medium", 650}, {"Small (topper)", 750}, {"Extra small", unlimited}}, false},
	}
}

// SizeClassInput is a count per pound, or a sample that gives one.
type SizeClassInput struct {
	Standard       string        `json:"standard"`
	Edition        exact.Number  `json:"edition"` // the year of the standard
	CountPerLb     *exact.Number `json:"count_per_lb,omitempty"`
	Nuts           *exact.Number `json:"nuts,omitempty"`
	WeightG        *exact.Number `json:"weight_g,omitempty"`
	TenSmallestPct *exact.Number `json:"ten_smallest_pct,omitempty"`
}

// SizeClassOutput holds no class where the standard has none for the nuts; the reason then says why, or with a class that a test was left out.
type SizeClassOutput struct {
	CountPerLb exact.Decimal `json:"count_per_lb"`
	Class      *string       `json:"class"`
	Reason     *string       `json:"reason"`
}

// SizeClass is the size that an edition of a standard gives nuts. The limits are whole counts and the texts say nothing of what lies between
// two of them: the unrounded count takes the first class whose upper limit is not below it, so that 55.4 is the class after 55.
func SizeClass(in SizeClassInput) (SizeClassOutput, error) {
	standard, err := in.standard()
	if err != nil {
		return SizeClassOutput{}, err
	}
	count, err := in.count()
	if err != nil {
		return SizeClassOutput{}, err
	}
	if in.TenSmallestPct != nil && !standard.tenSmallest {
		return SizeClassOutput{}, exact.Refuse("ten_smallest_pct", "%s %s has no test of the ten smallest", standard.name, standard.edition)
	}
	// The ten smallest of a hundred are at most a tenth of the whole.
	if ten := exact.Or(in.TenSmallestPct); ten.Sign() < 0 || ten.Cmp(exact.Int(10)) > 0 {
		return SizeClassOutput{}, exact.Refuse("ten_smallest_pct", "%s %% is not between 0 and 10", ten)
	}
	class, reason := standard.class(count, in.TenSmallestPct)
	return SizeClassOutput{count.Fixed(2), orNone(class), orNone(reason)}, nil
}

func orNone(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}

func (s sizeStandard) class(count exact.Number, tenSmallest *exact.Number) (class, reason string) {
	if tenSmallest != nil && tenSmallest.Cmp(exact.Int(leastTenSmallestPct)) < 0 {
		return "", "the ten smallest of a hundred weigh " + tenSmallest.String() + " % of them, at least 7 % are asked for"
	}
	for _, limit := range s.classes {
		if limit.most == unlimited || count.Cmp(exact.Int(limit.most)) <= 0 {
			if s.tenSmallest && tenSmallest == nil {
				reason = "the test of the ten smallest was not made"
			}
			return limit.class, reason
		}
	}
	most := exact.Int(s.classes[len(s.classes)-1].most)
	return "", s.name + " " + s.edition + " has no class above " + most.String() + " per pound"
}

func (in SizeClassInput) standard() (sizeStandard, error) {
	var names, editions []string
	for _, s := range sizeStandards() {
		if s.name == in.Standard && s.edition == in.Edition.String() {
			return s, nil
		}
		names = append(names, s.name)
		if s.name == in.Standard {
			editions = append(editions, s.edition)
		}
	}
	if len(editions) == 0 {
		return sizeStandard{}, exact.OneOf("standard", in.Standard, names...)
	}
	return sizeStandard{}, exact.OneOf("edition", in.Edition.String(), editions...)
}

// gramsPerPound is exact by the definition of the pound of 1959.
func gramsPerPound() exact.Number { return exact.Scaled(45_359_237, 5) }

func (in SizeClassInput) count() (exact.Number, error) {
	if in.CountPerLb != nil {
		if in.Nuts != nil || in.WeightG != nil {
			return exact.Number{}, exact.Refuse("count_per_lb", "nuts or weight_g is there too: give the count or the sample")
		}
		return *in.CountPerLb, exact.Positive("count_per_lb", *in.CountPerLb)
	}
	if err := exact.First(
		exact.Given("nuts", in.Nuts, "give nuts and weight_g, or count_per_lb"),
		exact.Given("weight_g", in.WeightG, "give nuts and weight_g, or count_per_lb"),
		exact.Positive("nuts", exact.Or(in.Nuts)),
		exact.Positive("weight_g", exact.Or(in.WeightG)),
	); err != nil {
		return exact.Number{}, err
	}
	if !in.Nuts.IsInt() {
		return exact.Number{}, exact.Refuse("nuts", "%s is no whole number", in.Nuts)
	}
	return in.Nuts.Mul(gramsPerPound()).Quo(*in.WeightG), nil
}

// CountToleranceInput is a count per pound as stated on a label, one number or a range of two, and the one found.
type CountToleranceInput struct {
	Stated      string       `json:"stated"`
	ActualPerLb exact.Number `json:"actual_per_lb"`
}

// CountToleranceOutput is what may be found, both ends included.
type CountToleranceOutput struct {
	Low    exact.Decimal `json:"low"`
	High   exact.Decimal `json:"high"`
	Within bool          `json:"within"`
}

// countTolerancePct is what an exact number may be off (former 7 CFR 51.1437); a range has no tolerance outside itself.
const countTolerancePct = 5

// CountTolerance tells whether a count is what the label says.
func CountTolerance(in CountToleranceInput) (CountToleranceOutput, error) {
	from, to, ranged := strings.Cut(in.Stated, "-")
	low, err := exact.Parse(from)
	if err != nil {
		return CountToleranceOutput{}, exact.Refuse("stated", "a count such as 400 or a range such as 600-700 is expected: %w", err)
	}
	high := low
	if ranged {
		if high, err = exact.Parse(to); err != nil {
			return CountToleranceOutput{}, exact.Refuse("stated", "a count such as 400 or a range such as 600-700 is expected: %w", err)
		}
	}
	if err := exact.First(exact.Positive("stated", low), exact.Positive("stated", high), exact.Positive("actual_per_lb", in.ActualPerLb)); err != nil {
		return CountToleranceOutput{}, err
	}
	if high.Cmp(low) < 0 {
		return CountToleranceOutput{}, exact.Refuse("stated", "the range %s ends below its start", in.Stated)
	}
	if !ranged {
		off := low.Mul(exact.Int(countTolerancePct).Pct())
		low, high = low.Sub(off), high.Add(off)
	}
	within := in.ActualPerLb.Cmp(low) >= 0 && in.ActualPerLb.Cmp(high) <= 0
	return CountToleranceOutput{low.Plain(), high.Plain(), within}, nil
}
