// Package season reads a season folder of CSV files (testdata/season/README.md) and says it as the lot events of the three
// producers, for tests only. It shares no code with the importer, so that the two readings of one folder check each other.
package season

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// files are the tables of a season folder. Any may be absent here; whether one must be there is the importer's rule.
var files = []string{
	"parties", "items", "deliveries", "receipts", "runs", "run_inputs", "run_outputs", "adjustments", "shipments",
	"final_prices", "weighings", "pours", "returns", "contributions",
}

// Row is one line of a table by column name. A column that is not there reads as empty, which is what absent means in these files.
type Row map[string]string

// Season is a folder as it was read.
type Season struct {
	// Expected is the independent calculation's answers; nil where the folder has no expected.json.
	Expected *Expected

	tables map[string][]Row
	facts  []fact
}

// Load reads a folder whole. A malformed number, time or reference is an error that names the file and the row's key.
func Load(dir string) (*Season, error) {
	s := &Season{tables: map[string][]Row{}}
	for _, name := range files {
		rows, err := readTable(filepath.Join(dir, name+".csv"))
		if err != nil {
			return nil, fmt.Errorf("season: %w", err)
		}
		s.tables[name] = rows
	}
	text, err := os.ReadFile(filepath.Join(dir, "expected.json"))
	switch {
	case err == nil:
		s.Expected = new(Expected)
		if err := json.Unmarshal(text, s.Expected); err != nil {
			return nil, fmt.Errorf("season: expected.json: %w", err)
		}
	case !errors.Is(err, os.ErrNotExist):
		return nil, fmt.Errorf("season: %w", err)
	}
	if s.facts, err = translate(s.tables); err != nil {
		return nil, err
	}
	return s, nil
}

// Rows are the lines of one table in file order; name is the file's without ".csv".
func (s *Season) Rows(name string) []Row { return s.tables[name] }

func readTable(path string) ([]Row, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	lines, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", filepath.Base(path), err)
	}
	if len(lines) == 0 {
		return nil, nil
	}
	rows := make([]Row, 0, len(lines)-1)
	for _, line := range lines[1:] {
		row := Row{}
		for i, name := range lines[0] {
			row[name] = line[i]
		}
		rows = append(rows, row)
	}
	return rows, nil
}
