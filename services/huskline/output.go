package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math/big"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"

	"huskline/internal/weight"
)

// sheet is one table of an answer: a title, columns, rows of printed cells. Columns from the one named numeric on are right-aligned.
type sheet struct {
	title   string
	columns []string
	numeric map[string]bool
	rows    [][]string
	footer  []string
	note    string
}

// answer is what a command prints: an object for programs and sheets for people.
type answer struct {
	object any
	sheets []sheet
}

// print writes the answer in the format asked for.
func (s *session) print(a answer) error {
	switch s.cli.Format {
	case "json":
		enc := json.NewEncoder(s.out)
		enc.SetIndent("", " ")
		return enc.Encode(a.object)
	case "csv":
		return printCSV(s.out, a.sheets)
	}
	printTables(s.out, a.sheets)
	return nil
}

// printCSV writes the sheets one after the other, each under its head, an empty line between. Text that a spreadsheet would take for a formula
// gets a quote before it; numbers never do, and have no commas between thousands.
func printCSV(w io.Writer, sheets []sheet) error {
	for i, sh := range sheets {
		if len(sh.columns) == 0 {
			continue
		}
		if i > 0 {
			if _, err := fmt.Fprintln(w); err != nil {
				return err
			}
		}
		out := csv.NewWriter(w)
		if err := out.Write(sh.columns); err != nil {
			return err
		}
		for _, row := range sh.rows {
			cells := make([]string, len(row))
			for j, cell := range row {
				if cells[j] = cell; sh.numeric[sh.columns[j]] {
					cells[j] = strings.ReplaceAll(cell, ",", "")
				}
				if !sh.numeric[sh.columns[j]] && strings.ContainsAny(cell[:min(1, len(cell))], "=+-@\t") {
					cells[j] = "'" + cell
				}
			}
			if err := out.Write(cells); err != nil {
				return err
			}
		}
		out.Flush()
		if err := out.Error(); err != nil {
			return err
		}
	}
	return nil
}

func printTables(w io.Writer, sheets []sheet) {
	for i, sh := range sheets {
		if i > 0 {
			fmt.Fprintln(w)
		}
		if sh.title != "" {
			fmt.Fprintln(w, sh.title)
		}
		if len(sh.columns) > 0 {
			printTable(w, sh)
		}
		if sh.note != "" {
			fmt.Fprintln(w, sh.note)
		}
	}
}

func printTable(w io.Writer, sh sheet) {
	t := table.NewWriter()
	t.SetOutputMirror(w)
	style := table.StyleLight
	style.Format.Header, style.Format.Footer = text.FormatDefault, text.FormatDefault
	style.Options.DrawBorder, style.Options.SeparateColumns = false, false
	t.SetStyle(style)
	t.AppendHeader(cells(sh.columns))
	for _, row := range sh.rows {
		t.AppendRow(cells(row))
	}
	if sh.footer != nil {
		t.AppendFooter(cells(sh.footer))
	}
	var configs []table.ColumnConfig
	for i, c := range sh.columns {
		if sh.numeric[c] {
			configs = append(configs, table.ColumnConfig{Number: i + 1, Align: text.AlignRight, AlignHeader: text.AlignRight, AlignFooter: text.AlignRight})
		}
	}
	t.SetColumnConfigs(configs)
	t.Render()
}

func cells(row []string) table.Row {
	out := make(table.Row, len(row))
	for i, c := range row {
		out[i] = c
	}
	return out
}

// numericColumns marks columns that hold numbers.
func numericColumns(names ...string) map[string]bool {
	out := map[string]bool{}
	for _, n := range names {
		out[n] = true
	}
	return out
}

// micro prints millionths (of a pound, of a dollar) as a decimal, exact, with no idle zeros beyond n places.
func micro(n int64, places int) string { return weight.FormatDecimal(n, 6, places) }

// exact is millionths as a JSON number, exact.
func exact(n int64) json.Number { return json.Number(micro(n, 1)) }

// grouped prints millionths with commas between thousands and exactly n places, half up, for people to read.
func grouped(n int64, places int) string {
	digits := ratio(n, 1_000_000, places)
	sign := ""
	if strings.HasPrefix(digits, "-") {
		sign, digits = "-", digits[1:]
	}
	whole, frac, _ := strings.Cut(digits, ".")
	var b strings.Builder
	for i, c := range whole {
		if i > 0 && (len(whole)-i)%3 == 0 {
			b.WriteByte(',')
		}
		b.WriteRune(c)
	}
	if frac != "" {
		frac = "." + frac
	}
	return sign + b.String() + frac
}

// ratio prints num/den with n places, half up (away from zero at a tie): a unit cost or a share at the edge, never reckoned with further.
func ratio(num, den int64, places int) string {
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)
	n := new(big.Int).Mul(big.NewInt(num), scale)
	d := big.NewInt(den)
	negative := n.Sign()*d.Sign() < 0
	q, r := new(big.Int).QuoRem(n.Abs(n), d.Abs(d), new(big.Int))
	if r.Lsh(r, 1).Cmp(d) >= 0 {
		q.Add(q, big.NewInt(1))
	}
	s := q.String()
	if places > 0 {
		if len(s) <= places {
			s = strings.Repeat("0", places-len(s)+1) + s
		}
		s = s[:len(s)-places] + "." + s[len(s)-places:]
	}
	if negative && q.Sign() != 0 {
		s = "-" + s
	}
	return s
}

// perPound is dollars per pound with six places, or nil (null) where there are no pounds.
func perPound(micros, micropounds int64) *json.Number {
	if micropounds == 0 {
		return nil
	}
	n := json.Number(ratio(micros, micropounds, 6))
	return &n
}
