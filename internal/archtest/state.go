package archtest

import (
	"go/ast"
	"go/token"
)

const ruleState = "state"

// checkState refuses init, and package variables that change or are filled in later: what a function reads must be seen
// at its call. A variable that is set once where it stands and never again (an error value, a compiled pattern, an
// embedded file, a table) is none of these.
func checkState(t *tree) []Fault {
	var faults []Fault
	for _, p := range t.packages {
		source := p.source()
		for _, g := range p.files {
			for _, d := range g.tree.Decls {
				if pos, is := isFuncNamed(d, "init"); is {
					faults = append(faults, g.fault(pos, ruleState, "init runs unseen, in an order nobody chose: let the caller build it"))
				}
			}
		}
		vars := packageVars(source)
		for _, g := range source {
			faults = append(faults, filledLater(g)...)
			faults = append(faults, assignments(g, vars)...)
		}
	}
	return faults
}

func packageVars(files []*goFile) map[string]bool {
	vars := map[string]bool{}
	for _, g := range files {
		for _, spec := range varSpecs(g) {
			for _, name := range spec.Names {
				vars[name.Name] = true
			}
		}
	}
	return vars
}

func varSpecs(g *goFile) []*ast.ValueSpec {
	var specs []*ast.ValueSpec
	for _, d := range g.tree.Decls {
		gen, ok := d.(*ast.GenDecl)
		if !ok || gen.Tok != token.VAR {
			continue
		}
		for _, spec := range gen.Specs {
			if v, ok := spec.(*ast.ValueSpec); ok {
				if v.Doc == nil && len(gen.Specs) == 1 {
					v.Doc = gen.Doc
				}
				specs = append(specs, v)
			}
		}
	}
	return specs
}

// filledLater names the variables that have no value where they stand; an embedded file has its value from go:embed.
func filledLater(g *goFile) []Fault {
	var faults []Fault
	for _, spec := range varSpecs(g) {
		if len(spec.Values) == 0 && !embedded(spec) {
			faults = append(faults, g.fault(spec.Pos(), ruleState, "package variable %s has no value: hand it over as a parameter or a field",
				spec.Names[0].Name))
		}
	}
	return faults
}

func embedded(spec *ast.ValueSpec) bool {
	if spec.Doc == nil {
		return false
	}
	for _, c := range spec.Doc.List {
		if len(c.Text) > len("//go:embed") && c.Text[:len("//go:embed")] == "//go:embed" {
			return true
		}
	}
	return false
}

// assignments names the places where a function sets a package variable or a part of it.
func assignments(g *goFile, vars map[string]bool) []Fault {
	var faults []Fault
	for _, d := range g.tree.Decls {
		fn, ok := d.(*ast.FuncDecl)
		if !ok || fn.Body == nil {
			continue
		}
		local := localNames(fn)
		ast.Inspect(fn.Body, func(n ast.Node) bool {
			for _, target := range targets(n) {
				if name := root(target); name != "_" && vars[name] && !local[name] {
					faults = append(faults, g.fault(target.Pos(), ruleState, "package variable %s is changed: keep what changes in a value that is handed on", name))
				}
			}
			return true
		})
	}
	return faults
}

func targets(n ast.Node) []ast.Expr {
	switch n := n.(type) {
	case *ast.AssignStmt:
		if n.Tok != token.DEFINE {
			return n.Lhs
		}
	case *ast.IncDecStmt:
		return []ast.Expr{n.X}
	}
	return nil
}

// root returns the name at the left end of a, a.b, a[i] or *a.
func root(e ast.Expr) string {
	for {
		switch x := e.(type) {
		case *ast.Ident:
			return x.Name
		case *ast.SelectorExpr:
			e = x.X
		case *ast.IndexExpr:
			e = x.X
		case *ast.StarExpr:
			e = x.X
		case *ast.ParenExpr:
			e = x.X
		default:
			return ""
		}
	}
}

// localNames returns every name that a function declares itself, parameters and results included: without a type check
// one of them anywhere is taken to hide the package's.
func localNames(fn *ast.FuncDecl) map[string]bool {
	names := map[string]bool{}
	ast.Inspect(fn, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.Field:
			for _, name := range n.Names {
				names[name.Name] = true
			}
		case *ast.ValueSpec:
			for _, name := range n.Names {
				names[name.Name] = true
			}
		case *ast.AssignStmt:
			if n.Tok == token.DEFINE {
				for _, e := range n.Lhs {
					names[root(e)] = true
				}
			}
		case *ast.RangeStmt:
			for _, e := range []ast.Expr{n.Key, n.Value} {
				if e != nil && n.Tok == token.DEFINE {
					names[root(e)] = true
				}
			}
		}
		return true
	})
	return names
}
