package reckon

import (
	"time"

	"huskline/internal/exact"
)

// The categories that assessments tell apart.
const (
	Improved    = "improved"
	Native      = "native" // native and seedling
	Substandard = "substandard"
)

// assessmentRate is what a programme asks for per in-shell pound from a day on, in ten-thousandths of a dollar, until its next row.
type assessmentRate struct {
	programme                     string
	from                          string
	improved, native, substandard int64
}

func assessmentRates() []assessmentRate {
	return []assessmentRate{
		// 82 FR 43667 and 7 CFR 986.61: from the fiscal year 2016-17.
		{"marketing order", "2016-10-01", 300, 200, 200},
		// Notice to handlers of 29 September 2021; final rule 2022-08001, effective 16 May 2022.
		{"marketing order", "2021-10-01", 100, 0, 0},
		// 7 CFR part 1223 (86 FR 2880): assessments from 1 October 2021, 0.02 per in-shell pound of any kind.
		{"promotion", "2021-10-01", 200, 200, 200},
	}
}

// firstAssessment is the first day that the rates are known of.
const firstAssessment = "2016-10-01"

// AssessmentInput is in-shell pounds handled on a day.
type AssessmentInput struct {
	Date      string        `json:"date"` // YYYY-MM-DD
	Category  string        `json:"category"`
	InShellLb exact.Number  `json:"in_shell_lb"`
	MoneyStep *exact.Number `json:"money_step,omitempty"`
}

// AssessmentOutput has a line for every programme in force, also at a rate of zero: it has to be reported all the same.
type AssessmentOutput struct {
	Lines []AssessmentLine `json:"lines"`
	Total exact.Decimal    `json:"total"`
}

// AssessmentLine is one programme's levy.
type AssessmentLine struct {
	Programme string        `json:"programme"`
	Rate      exact.Decimal `json:"rate"`
	Amount    exact.Decimal `json:"amount"`
}

// Assessment is the levies of the federal pecan programmes at the rates of the day. The newest rates known are those of October 2021; whether a lot
// was assessed before, and who bears it, is for the caller to know.
func Assessment(in AssessmentInput) (AssessmentOutput, error) {
	step, err := exact.StepOf("money_step", in.MoneyStep)
	if err != nil {
		return AssessmentOutput{}, err
	}
	if _, err := time.Parse(time.DateOnly, in.Date); err != nil {
		return AssessmentOutput{}, exact.Refuse("date", "%q is no day such as 2021-10-15", in.Date)
	}
	if in.Date < firstAssessment {
		return AssessmentOutput{}, exact.Refuse("date", "%s is before %s, where the rates begin", in.Date, firstAssessment)
	}
	if err := exact.First(
		exact.OneOf("category", in.Category, Improved, Native, Substandard),
		exact.NotNegative("in_shell_lb", in.InShellLb),
	); err != nil {
		return AssessmentOutput{}, err
	}
	var out AssessmentOutput
	var amounts []exact.Decimal
	for _, r := range ratesOn(in.Date) {
		rate := exact.Scaled(map[string]int64{Improved: r.improved, Native: r.native, Substandard: r.substandard}[in.Category], 4)
		amount := step.Round(rate.Mul(in.InShellLb))
		amounts = append(amounts, amount)
		out.Lines = append(out.Lines, AssessmentLine{r.programme, rate.Fixed(2), amount})
	}
	out.Total = step.Total(amounts)
	return out, nil
}

// ratesOn are the newest rates of each programme on a day; days as text are in order as they stand.
func ratesOn(day string) []assessmentRate {
	var rates []assessmentRate
	for _, r := range assessmentRates() {
		if r.from > day {
			continue
		}
		if n := len(rates); n > 0 && rates[n-1].programme == r.programme {
			rates[n-1] = r
		} else {
			rates = append(rates, r)
		}
	}
	return rates
}
