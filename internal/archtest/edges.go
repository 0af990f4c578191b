package archtest

import (
	"go/ast"
	"slices"
)

// edge is a function of the standard library that only the program may reach for.
type edge struct {
	pkg   string
	names []string
	why   string
}

func edges() []edge {
	return []edge{
		{"os", []string{"Getenv", "LookupEnv", "Environ", "ExpandEnv", "Setenv"}, "only the program reads the environment; take a config"},
		{"os", []string{"Exit"}, "only the program exits; return an error"},
		{"log", []string{"Fatal", "Fatalf", "Fatalln", "Panic", "Panicf", "Panicln"}, "only the program exits; return an error"},
		{"time", []string{"Now"}, "only the program reads the clock; take it as a func() time.Time"},
	}
}

// layerFailpoint reads where to fail from the environment; the whole of it is compiled out of what a plant runs.
const layerFailpoint = "failpoint"

// checkEdges keeps the environment, the clock and the exit to the program and to what runs no plant: the task runner,
// measurements and the packages for tests.
func checkEdges(t *tree) []Fault {
	var faults []Fault
	for _, p := range t.packages {
		from := placeOf(p.dir)
		if from.service == program || from.layer == "dev" || from.layer == layerFailpoint || testOnly(from) {
			continue
		}
		for _, g := range p.source() {
			ast.Inspect(g.tree, func(n ast.Node) bool {
				if sel, ok := n.(*ast.SelectorExpr); ok {
					faults = append(faults, edgeFaults(g, sel)...)
				}
				return true
			})
		}
	}
	return faults
}

func edgeFaults(g *goFile, sel *ast.SelectorExpr) []Fault {
	from, ok := sel.X.(*ast.Ident)
	if !ok {
		return nil
	}
	for _, e := range edges() {
		if e.pkg == from.Name && slices.Contains(e.names, sel.Sel.Name) && importsPath(g, e.pkg) {
			return []Fault{g.fault(sel.Pos(), "edges", "%s.%s: %s", e.pkg, sel.Sel.Name, e.why)}
		}
	}
	return nil
}

func importsPath(g *goFile, path string) bool {
	return slices.ContainsFunc(importsOf([]*goFile{g}), func(im imported) bool { return im.path == path })
}
