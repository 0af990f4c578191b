package archtest

import (
	"path"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"
)

// topLevel is all that may stand beside go.mod, so that a stranger sees the whole house from the door.
func topLevel() []string {
	return []string{
		"proto", "services", "deploy", "internal", "testdata",
		"go.mod", "go.sum", "README.md", "DEVELOPERS.md", "docker-compose.yml", "LICENSE",
		".git", ".gitignore", ".gitattributes", ".dockerignore", ".ci",
	}
}

func checkTopLevel(t *tree) []Fault {
	var faults []Fault
	for _, name := range t.top {
		if !slices.Contains(topLevel(), name) {
			faults = append(faults, Fault{Path: name, Rule: "top level", Text: "may not stand here: put it into the folder of what it belongs to"})
		}
	}
	return faults
}

// elsewhere finds what ties the tree to one machine or one supplier. The patterns are glued so that this file does not
// find itself.
var elsewhere = []struct {
	pattern *regexp.Regexp
	why     string
}{
	{regexp.MustCompile(`\b(proxy|sum)\.golang` + `\.org|registry\.npm` + `js\.org|(deb|security)\.debian` + `\.org|\bpypi` + `\.org`),
		"names a package registry's host: a plant may use a mirror, which its own settings say"},
	{regexp.MustCompile(`(^|[\s"'` + "`" + `=:(,])/(work|root|home/[a-z]\w*|Users/\w+)` + `/`),
		"names a path of one machine"},
}

// checkText reads every text file, generated ones too. Checksum lists are left out: their lines are no choice of ours.
func checkText(t *tree) []Fault {
	var faults []Fault
	for _, f := range t.files {
		if path.Base(f.path) == "go.sum" || !utf8.ValidString(f.text) {
			continue
		}
		for _, e := range elsewhere {
			at := e.pattern.FindStringIndex(f.text)
			if at != nil {
				line := 1 + strings.Count(f.text[:at[0]], "\n")
				faults = append(faults, Fault{Path: f.path, Line: line, Rule: "text", Text: e.why})
			}
		}
	}
	return faults
}
