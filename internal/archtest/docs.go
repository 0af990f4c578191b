package archtest

import (
	"go/ast"
	"go/token"
)

const ruleDocs = "comments"

// checkDocs asks for a comment on every package and on every exported name that is no test's. Exported methods count
// when their type is exported: nobody else can call the others by name.
func checkDocs(t *tree) []Fault {
	var faults []Fault
	for _, p := range t.packages {
		source := p.source()
		documented := false
		for _, g := range source {
			documented = documented || g.tree.Doc != nil
			for _, d := range g.tree.Decls {
				faults = append(faults, undocumented(g, d)...)
			}
		}
		if len(source) > 0 && !documented {
			faults = append(faults, Fault{Path: p.dir, Rule: ruleDocs,
				Text: "the package has no comment: say in one sentence what it is for, the first sentences are the tour of the system"})
		}
	}
	return faults
}

func undocumented(g *goFile, d ast.Decl) []Fault {
	switch d := d.(type) {
	case *ast.FuncDecl:
		if d.Name.IsExported() && d.Doc == nil && (d.Recv == nil || ast.IsExported(receiver(d))) {
			return []Fault{g.fault(d.Pos(), ruleDocs, "%s has no comment", d.Name.Name)}
		}
	case *ast.GenDecl:
		if d.Tok != token.IMPORT && d.Doc == nil {
			return undocumentedSpecs(g, d)
		}
	}
	return nil
}

// undocumentedSpecs looks into a declaration without a comment of its own; a comment above a group speaks for all in it.
func undocumentedSpecs(g *goFile, d *ast.GenDecl) []Fault {
	var faults []Fault
	for _, spec := range d.Specs {
		switch spec := spec.(type) {
		case *ast.TypeSpec:
			if spec.Name.IsExported() && spec.Doc == nil && spec.Comment == nil {
				faults = append(faults, g.fault(spec.Pos(), ruleDocs, "%s has no comment", spec.Name.Name))
			}
		case *ast.ValueSpec:
			for _, name := range spec.Names {
				if name.IsExported() && spec.Doc == nil && spec.Comment == nil {
					faults = append(faults, g.fault(name.Pos(), ruleDocs, "%s has no comment", name.Name))
				}
			}
		}
	}
	return faults
}

// receiver returns the name of a method's type.
func receiver(fn *ast.FuncDecl) string {
	if len(fn.Recv.List) == 0 {
		return ""
	}
	typ := fn.Recv.List[0].Type
	for {
		switch t := typ.(type) {
		case *ast.StarExpr:
			typ = t.X
		case *ast.IndexExpr:
			typ = t.X
		case *ast.IndexListExpr:
			typ = t.X
		case *ast.Ident:
			return t.Name
		default:
			return ""
		}
	}
}
