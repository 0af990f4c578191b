package archtest

import (
	"go/ast"
	"go/token"
	"slices"
)

// The limits. Half of the functions of well-liked services stay under 13 lines and nine in ten under 56; nine files in
// ten stay under 500.
const (
	maxFileLines    = 500
	maxFuncLines    = 70
	maxTestLines    = 150
	maxParams       = 5
	maxMethods      = 8
	maxOwnImports   = 12
	ruleSizes       = "sizes"
	contextTypeName = "Context"
)

func checkSizes(t *tree) []Fault {
	var faults []Fault
	for _, p := range t.packages {
		faults = append(faults, ownImports(p)...)
		for _, g := range p.files {
			if g.lines > maxFileLines {
				faults = append(faults, Fault{Path: g.path, Rule: ruleSizes, Text: plural(g.lines, "lines", maxFileLines)})
			}
			ast.Inspect(g.tree, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.FuncDecl:
					faults = append(faults, sizeOfFunc(g, n)...)
				case *ast.InterfaceType:
					if methods := countMethods(n); methods > maxMethods {
						faults = append(faults, g.fault(n.Pos(), ruleSizes, "interface of %s", plural(methods, "methods", maxMethods)))
					}
				}
				return true
			})
		}
	}
	return faults
}

func sizeOfFunc(g *goFile, fn *ast.FuncDecl) []Fault {
	var faults []Fault
	limit := maxFuncLines
	if g.test {
		limit = maxTestLines
	}
	if lines := g.line(fn.End()) - g.line(fn.Pos()) + 1; lines > limit {
		faults = append(faults, g.fault(fn.Pos(), ruleSizes, "%s has %s", fn.Name.Name, plural(lines, "lines", limit)))
	}
	if params := countParams(fn.Type.Params); params > maxParams {
		faults = append(faults, g.fault(fn.Pos(), ruleSizes, "%s has %s, besides the context: take a struct", fn.Name.Name,
			plural(params, "parameters", maxParams)))
	}
	return faults
}

// countParams counts parameters; the context, and what a test is given to fail with, do not count.
func countParams(fields *ast.FieldList) int {
	n := 0
	for _, f := range fields.List {
		if handed(f.Type) {
			continue
		}
		n += max(1, len(f.Names))
	}
	return n
}

func handed(typ ast.Expr) bool {
	if star, ok := typ.(*ast.StarExpr); ok {
		typ = star.X
	}
	sel, ok := typ.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	from, ok := sel.X.(*ast.Ident)
	return ok && (from.Name == "context" && sel.Sel.Name == contextTypeName || from.Name == "testing")
}

// countMethods counts the methods that an interface states itself; embedded ones belong to another.
func countMethods(it *ast.InterfaceType) int {
	n := 0
	for _, f := range it.Methods.List {
		if _, isMethod := f.Type.(*ast.FuncType); isMethod {
			n += len(f.Names)
		}
	}
	return n
}

// ownImports holds a package to the number of packages of this module that a reader must know to follow it. The program,
// the task runner and measurements put everything together and are free.
func ownImports(p *pkg) []Fault {
	from := placeOf(p.dir)
	if from.service == program || from.layer == "dev" || testOnly(from) {
		return nil
	}
	var own []string
	for _, im := range importsOf(p.source()) {
		if ownDir(im.path) != "" {
			own = append(own, im.path)
		}
	}
	slices.Sort(own)
	own = slices.Compact(own)
	if len(own) <= maxOwnImports {
		return nil
	}
	return []Fault{{Path: p.dir, Rule: ruleSizes, Text: "imports " + plural(len(own), "own packages", maxOwnImports)}}
}

// isFuncNamed tells whether a declaration is a plain function of that name.
func isFuncNamed(d ast.Decl, name string) (token.Pos, bool) {
	fn, ok := d.(*ast.FuncDecl)
	return d.Pos(), ok && fn.Recv == nil && fn.Name.Name == name
}
