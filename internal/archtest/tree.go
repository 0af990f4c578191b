package archtest

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"slices"
	"strings"
)

// module is the import path of the tree's top.
const module = "huskline"

// Fault is one break of one rule. Line 0 is the file, or the folder, as a whole.
type Fault struct {
	Path string
	Line int
	Rule string
	Text string
}

// String is the fault in the form that editors jump to.
func (f Fault) String() string {
	if f.Line == 0 {
		return fmt.Sprintf("%s: %s: %s", f.Path, f.Rule, f.Text)
	}
	return fmt.Sprintf("%s:%d: %s: %s", f.Path, f.Line, f.Rule, f.Text)
}

// file is one text file of the tree; goFile is nil unless it is Go code that people write.
type file struct {
	path   string
	text   string
	goFile *goFile
}

type goFile struct {
	path string
	dir  string
	test bool
	tree *ast.File
	set  *token.FileSet
	// lines is how many lines the file has.
	lines int
}

func (g *goFile) line(pos token.Pos) int {
	return g.set.Position(pos).Line
}

func (g *goFile) fault(pos token.Pos, rule, format string, args ...any) Fault {
	return Fault{Path: g.path, Line: g.line(pos), Rule: rule, Text: fmt.Sprintf(format, args...)}
}

// pkg is the Go files of one folder.
type pkg struct {
	dir   string
	files []*goFile
}

// source returns the files that are no tests.
func (p *pkg) source() []*goFile {
	return slices.DeleteFunc(slices.Clone(p.files), func(g *goFile) bool { return g.test })
}

// tree is all that the rules look at.
type tree struct {
	top      []string // the names at the top level, sorted
	files    []file
	packages []*pkg
}

// Check reads the tree below fsys, whose root is the folder of go.mod, and returns every break of every rule, sorted by
// place. An error means that the tree could not be read or parsed; then nothing is said about the rules.
func Check(fsys fs.FS) ([]Fault, error) {
	t, err := load(fsys)
	if err != nil {
		return nil, err
	}
	var faults []Fault
	for _, rule := range []func(*tree) []Fault{
		checkTopLevel, checkText, checkImports, checkPackageNames, checkSizes, checkDocs, checkState, checkEdges, checkFloats, checkSilenced,
	} {
		faults = append(faults, rule(t)...)
	}
	slices.SortStableFunc(faults, func(a, b Fault) int {
		if c := strings.Compare(a.Path, b.Path); c != 0 {
			return c
		}
		return a.Line - b.Line
	})
	return faults, nil
}

func load(fsys fs.FS) (*tree, error) {
	t := &tree{}
	built, err := builtAtTop(fsys)
	if err != nil {
		return nil, err
	}
	byDir := map[string]*pkg{}
	err = fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if name != "." && !strings.Contains(name, "/") {
			if slices.Contains(built, name) {
				return skip(d)
			}
			t.top = append(t.top, name)
		}
		if d.IsDir() {
			if d.Name() == ".git" || name == "internal/thirdparty" {
				return fs.SkipDir
			}
			return nil
		}
		if name == ".git" { // where the tree is a second work tree of its repository, a file that says where that is
			return nil
		}
		return t.read(fsys, name, byDir)
	})
	if err != nil {
		return nil, fmt.Errorf("read the tree: %w", err)
	}
	return t, nil
}

// builtAtTop returns the names at the top level that .gitignore leaves out by an anchored line, such as a built program.
func builtAtTop(fsys fs.FS) ([]string, error) {
	text, err := fs.ReadFile(fsys, ".gitignore")
	if err != nil {
		return nil, fmt.Errorf("read .gitignore: %w", err)
	}
	var names []string
	for line := range strings.Lines(string(text)) {
		if name, ok := strings.CutPrefix(strings.TrimSpace(line), "/"); ok {
			names = append(names, strings.TrimSuffix(name, "/"))
		}
	}
	return names, nil
}

func skip(d fs.DirEntry) error {
	if d.IsDir() {
		return fs.SkipDir
	}
	return nil
}

func (t *tree) read(fsys fs.FS, name string, byDir map[string]*pkg) error {
	text, err := fs.ReadFile(fsys, name)
	if err != nil {
		return err
	}
	f := file{path: name, text: string(text)}
	if strings.HasSuffix(name, ".go") && !generated(name) && !strings.Contains(name, "/testdata/") {
		set := token.NewFileSet()
		parsed, err := parser.ParseFile(set, name, text, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return fmt.Errorf("parse: %w", err)
		}
		dir := path.Dir(name)
		f.goFile = &goFile{
			path: name, dir: dir, test: strings.HasSuffix(name, "_test.go"), tree: parsed, set: set,
			lines: strings.Count(f.text, "\n"),
		}
		if byDir[dir] == nil {
			byDir[dir] = &pkg{dir: dir}
			t.packages = append(t.packages, byDir[dir])
		}
		byDir[dir].files = append(byDir[dir].files, f.goFile)
	}
	t.files = append(t.files, f)
	return nil
}

// generated tells whether a Go file is made by a tool and so follows that tool's habits.
func generated(name string) bool {
	return strings.HasSuffix(name, ".pb.go") || strings.HasSuffix(name, ".pb.gw.go") || strings.HasSuffix(name, "_templ.go")
}
