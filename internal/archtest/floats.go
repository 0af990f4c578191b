package archtest

import (
	"go/ast"
	"go/token"
	"slices"
	"strings"
)

// exactLayers hold amounts that must come out the same to the last unit.
func exactLayers() []string {
	return []string{"weight", "money", "share", "exact", "fault", "lot", layerReckon}
}

// checkFloats refuses floating point where amounts are made and split: a float has no pound of its own to lose, and
// loses one all the same. Decimal text is scanned digit by digit; a ratio is two integers.
func checkFloats(t *tree) []Fault {
	var faults []Fault
	for _, p := range t.packages {
		if !slices.Contains(exactLayers(), placeOf(p.dir).layer) {
			continue
		}
		for _, g := range p.source() {
			ast.Inspect(g.tree, func(n ast.Node) bool {
				if what := float(n); what != "" {
					faults = append(faults, g.fault(n.Pos(), "floats", "%s: amounts are integers, ratios are two of them", what))
				}
				return true
			})
		}
	}
	return faults
}

func float(n ast.Node) string {
	switch n := n.(type) {
	case *ast.BasicLit:
		if n.Kind == token.FLOAT || n.Kind == token.IMAG {
			return n.Value
		}
	case *ast.Ident:
		for _, name := range []string{"float32", "float64", "complex64", "complex128"} {
			if n.Name == name {
				return name
			}
		}
	case *ast.SelectorExpr:
		// FloatString of big.Rat writes exact decimals and is the one name with Float in it that holds none.
		if name := n.Sel.Name; strings.Contains(name, "Float") && name != "FloatString" {
			return name
		}
	}
	return ""
}
