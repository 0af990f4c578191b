package archtest

import (
	"fmt"
	"path"
	"slices"
	"strings"
)

// bannedNames says nothing about what a package does, or makes every reader alias it.
func bannedNames() []string {
	return []string{
		"util", "utils", "common", "helper", "helpers", "base", "types", "model", "models", "misc", "shared", "lib",
		"errors", "log", "grpc",
	}
}

// checkPackageNames refuses names that fit anything, and a package named otherwise than its folder.
func checkPackageNames(t *tree) []Fault {
	var faults []Fault
	for _, p := range t.packages {
		for _, g := range p.files {
			name := strings.TrimSuffix(g.tree.Name.Name, "_test")
			switch {
			case slices.Contains(bannedNames(), name):
				faults = append(faults, g.fault(g.tree.Name.Pos(), "names", "package %s: name it for what it does", name))
			case name != "main" && name != path.Base(p.dir):
				faults = append(faults, g.fault(g.tree.Name.Pos(), "names", "package %s lies in folder %s: give them one name", name, p.dir))
			}
		}
	}
	return faults
}

func plural(n int, what string, limit int) string {
	return fmt.Sprintf("%d %s, the limit is %d", n, what, limit)
}
