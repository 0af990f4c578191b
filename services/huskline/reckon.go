package main

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"

	"huskline/internal/fault"
	intakereckon "huskline/services/intake/reckon"
	inventoryreckon "huskline/services/inventory/reckon"
	productionreckon "huskline/services/production/reckon"
)

type reckonCmd struct {
	Name string `arg:"" help:"Name of the calculator; without it the names are listed." optional:""`
	File string `arg:"" optional:"" default:"-" help:"File with a JSON object; - is standard input."`
}

// maxReckonInput bounds what a calculator reads.
const maxReckonInput = 16 << 20

// calculators are the services' own pure functions, by name.
func calculators() map[string]func(json.RawMessage) (any, error) {
	all := map[string]func(json.RawMessage) (any, error){}
	maps.Copy(all, intakereckon.Calculators())
	maps.Copy(all, inventoryreckon.Calculators())
	maps.Copy(all, productionreckon.Calculators())
	return all
}

// Run reads a JSON object, reckons, and prints a JSON object.
func (c *reckonCmd) Run(s *session) error {
	all := calculators()
	var names []string
	for name := range all {
		names = append(names, name)
	}
	slices.Sort(names)
	if c.Name == "" {
		_, err := fmt.Fprintln(s.out, strings.Join(names, "\n"))
		return err
	}
	calculate, ok := all[c.Name]
	if !ok {
		return usageError{fmt.Errorf("reckon: no calculator %q; there are %s", c.Name, strings.Join(names, ", "))}
	}
	in := s.in
	if c.File != "-" {
		file, err := os.Open(c.File)
		if err != nil {
			return err
		}
		defer func() { _ = file.Close() }()
		in = file
	}
	data, err := io.ReadAll(io.LimitReader(in, maxReckonInput+1))
	if err != nil {
		return err
	}
	if len(data) > maxReckonInput {
		return fault.Invalid("input_too_large", "reckon %s: the input is above %d bytes", c.Name, maxReckonInput)
	}
	out, err := calculate(data)
	if err != nil {
		return err
	}
	enc := json.NewEncoder(s.out)
	enc.SetIndent("", " ")
	enc.SetEscapeHTML(false) // a Digital Link holds &, which a person copies as it stands
	return enc.Encode(out)
}
