package archtest

import (
	"go/ast"
	"regexp"
	"strings"
)

// wellSilenced are the two forms that name the check and the reason.
var (
	wellSilencedLint = regexp.MustCompile(`^//lint:(file-)?ignore [A-Z]+[0-9]+(,[A-Z]+[0-9]+)* \S+ \S+`)
	wellSilenced     = regexp.MustCompile(`^//nolint:[a-z0-9,-]+ // \S+ \S+`)
	unfinished       = regexp.MustCompile(`\b(TODO|FIXME|XXX)\b`)
	namesIssue       = regexp.MustCompile(`\b(TODO|FIXME|XXX)\b.*#\d+`)
)

// checkSilenced asks of a comment that silences a linter which check it means and why, and of one that puts work off
// which issue it is in.
func checkSilenced(t *tree) []Fault {
	var faults []Fault
	for _, p := range t.packages {
		for _, g := range p.files {
			for _, group := range g.tree.Comments {
				for _, c := range group.List {
					faults = append(faults, silenced(g, c)...)
				}
			}
		}
	}
	return faults
}

func silenced(g *goFile, c *ast.Comment) []Fault {
	switch {
	case strings.HasPrefix(c.Text, "//nolint") && !wellSilenced.MatchString(c.Text):
		return []Fault{g.fault(c.Pos(), "silenced", "write //nolint:CHECK // the reason")}
	case strings.HasPrefix(c.Text, "//lint:") && !wellSilencedLint.MatchString(c.Text):
		return []Fault{g.fault(c.Pos(), "silenced", "write //lint:ignore CHECK the reason")}
	case unfinished.MatchString(c.Text) && !namesIssue.MatchString(c.Text):
		return []Fault{g.fault(c.Pos(), "silenced", "work put off names its issue: TODO(#12)")}
	}
	return nil
}
