package reckon

import "huskline/internal/exact"

// maxSteps bounds the work, raw lots x (links + finished lots), to some seconds: a season of a large plant has a few thousand lots and links.
const maxSteps = 200_000_000

// DispersionInput is a genealogy: links from input lot to output lot, through any number of lots between, and the lots to measure.
type DispersionInput struct {
	Links    [][2]string `json:"links"`
	Raw      []string    `json:"raw"`
	Finished []string    `json:"finished"`
	// Masses are pounds of every finished lot.
	Masses exact.Table `json:"masses,omitempty"`
}

// DispersionOutput counts lots: under Downward the finished ones that hold a raw lot, under Upward the raw ones in a finished lot. Both sum to the
// same; Total is both. With masses, RecalledLb is what would be recalled for each raw lot.
type DispersionOutput struct {
	Downward   exact.Entries  `json:"downward"`
	Upward     exact.Entries  `json:"upward"`
	Total      int            `json:"total"`
	RecalledLb exact.Entries  `json:"recalled_lb,omitempty"`
	WorstLb    *exact.Decimal `json:"worst_lb,omitempty"`
	MeanLb     *exact.Decimal `json:"mean_lb,omitempty"`
}

// Dispersion is how widely raw lots spread over finished ones (batch dispersion after Dupuy, Botta-Genoulaz and Guinet, Journal of Food Engineering
// 70, 2005), and how much a suspect raw lot would call back. A lot that no link names has a count of zero.
func Dispersion(in DispersionInput) (DispersionOutput, error) {
	if err := in.check(); err != nil {
		return DispersionOutput{}, err
	}
	next := map[string][]string{}
	for _, link := range in.Links {
		next[link[0]] = append(next[link[0]], link[1])
	}
	upward, masses := map[string]int{}, massOf(in.Masses)
	var out DispersionOutput
	var recalled []exact.Number
	for _, raw := range in.Raw {
		reached := reach(next, raw)
		n, pounds := 0, exact.Number{}
		for _, f := range in.Finished {
			if reached[f] {
				n++
				upward[f]++
				pounds = pounds.Add(masses[f])
			}
		}
		out.Downward = append(out.Downward, exact.Entry{Key: raw, Value: n})
		recalled = append(recalled, pounds)
		out.Total += 2 * n
	}
	for _, f := range in.Finished {
		out.Upward = append(out.Upward, exact.Entry{Key: f, Value: upward[f]})
	}
	if in.Masses != nil {
		in.weigh(&out, recalled)
	}
	return out, nil
}

func massOf(table exact.Table) map[string]exact.Number {
	masses := map[string]exact.Number{}
	for _, m := range table {
		masses[m.Name] = m.Value
	}
	return masses
}

// reach are the lots that hold anything of a lot.
func reach(next map[string][]string, from string) map[string]bool {
	seen := map[string]bool{}
	queue := []string{from}
	for len(queue) > 0 {
		lot := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		for _, to := range next[lot] {
			if !seen[to] {
				seen[to] = true
				queue = append(queue, to)
			}
		}
	}
	return seen
}

func (in DispersionInput) weigh(out *DispersionOutput, recalled []exact.Number) {
	worst := exact.Number{}
	for i, pounds := range recalled {
		out.RecalledLb = append(out.RecalledLb, exact.Entry{Key: in.Raw[i], Value: pounds.Plain()})
		if pounds.Cmp(worst) > 0 {
			worst = pounds
		}
	}
	most, mean := worst.Plain(), exact.Sum(recalled...).Quo(exact.Int(int64(len(recalled)))).Trimmed(2)
	out.WorstLb, out.MeanLb = &most, &mean
}

func (in DispersionInput) check() error {
	if steps := len(in.Raw) * (len(in.Links) + len(in.Finished)); steps > maxSteps {
		return exact.Refuse("raw", "%d lots x links and finished lots are %d, at most %d are reckoned", len(in.Raw), steps, maxSteps)
	}
	if err := exact.First(exact.Names("raw", "", in.Raw), exact.Names("finished", "", in.Finished)); err != nil {
		return err
	}
	finished, masses := map[string]bool{}, massOf(in.Masses)
	for _, f := range in.Finished {
		finished[f] = true
		if _, given := masses[f]; in.Masses != nil && !given {
			return exact.Refuse("masses."+f, "missing: a mass is asked for every finished lot or for none")
		}
	}
	for i, r := range in.Raw {
		if finished[r] {
			return exact.Refuse(exact.At("raw", i, ""), "%q is finished too", r)
		}
	}
	for _, m := range in.Masses {
		if !finished[m.Name] {
			return exact.Refuse("masses."+m.Name, "it is no finished lot")
		}
		if err := exact.NotNegative("masses."+m.Name, m.Value); err != nil {
			return err
		}
	}
	return nil
}
