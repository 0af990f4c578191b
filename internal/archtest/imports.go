package archtest

import (
	"go/ast"
	"slices"
	"strconv"
	"strings"
)

// row is one line of the table of who may import whom. Tests are not bound by it, save for what checkImports says.
type row struct {
	layers []string
	// own lists the layers of this module that may be used; a service's layers mean those of the same service,
	// layerContract the own contract and the events. Nil puts no limit.
	own []string
	// outside tells whether other modules may be used at all, besides what never lists.
	outside bool
	// never lists import paths, with all below them, that may not be used.
	never []string
	why   string
}

var (
	values = []string{"weight", "money", "share", "exact", "fault", "lot"}

	pgx      = []string{"github.com/jackc/pgx", "database/sql"}
	nats     = []string{"github.com/nats-io"}
	grpc     = []string{"google.golang.org/grpc", "github.com/grpc-ecosystem"}
	protobuf = []string{"google.golang.org/protobuf", module + "/proto"}
	logging  = []string{"log"}
	// outer is what a value or a rule may not reach: the clock is held off by checkEdges.
	outer = []string{"context", "os", "net", "syscall", "database", "log", "io/fs", "embed", "crypto/rand", "math/rand"}
)

// rows is the table. A layer that is not in it is bound by checkImports' general rules only.
func rows() []row {
	return []row{
		{[]string{"fault"}, []string{}, false, outer,
			"the kinds of failure rest on the standard library alone, since everything rests on them"},
		{[]string{"weight"}, []string{"fault"}, false, outer,
			"a weight is a pure value: it rests on the standard library and on the kinds of failure"},
		{[]string{"money"}, []string{"weight", "fault"}, false, outer,
			"an amount of money is a pure value; it knows weight because a price is money per pound"},
		{[]string{"share"}, []string{"weight", "money", "fault"}, false, outer,
			"a split is a pure function of amounts"},
		{[]string{"exact"}, []string{"exact", "fault"}, false, outer,
			"exact arithmetic and the calculators' reader of JSON are pure"},
		{[]string{"lot"}, []string{"weight", "money", "share", "fault", "lot"}, false, outer,
			"rules about lots and postings are values to values: no context, clock or I/O, so that they can be replayed"},
		{[]string{layerReckon}, append([]string{layerReckon}, values...), false, outer,
			"a calculator is pure, so that the program and the service get the same figure anywhere"},
		{[]string{layerDomain}, append([]string{layerDomain, layerReckon}, values...), true, join(pgx, nats, grpc, protobuf, logging),
			"a rule of the trade knows no database, bus, wire or log: the store, server and consumer bring it what it needs"},
		{[]string{layerStore}, nil, true, join(grpc, nats),
			"the store speaks SQL only; whoever calls it speaks to the network"},
		{[]string{layerServer}, nil, true, join(pgx, nats, []string{"~" + layerStore}),
			"a server turns messages into calls of the domain; with the store at hand rules would end up in handlers"},
		{[]string{layerConsumer}, nil, true, join(pgx, grpc, []string{"~" + layerStore}),
			"a consumer turns events into calls of the domain and answers nobody"},
		{[]string{layerCaller}, nil, true, join(pgx, nats, []string{"~" + layerStore}),
			"a call to another service holds no transaction open, so it has no way to one"},
		{[]string{"outbox", "inbox"}, nil, true, nats,
			"the event is a row of the transaction; the relay is handed the function that publishes"},
		{[]string{"bus", "rpc"}, nil, true, join(pgx, []string{module + "/internal/postgres"}),
			"transport knows no storage"},
		{[]string{"feed"}, values, false, []string{"os", "net", "database", "log"},
			"positions, waits and quarantine are pure, so that they can be simulated"},
		{[]string{layerVerify}, []string{"weight", "money", "snapshot", layerContract, layerVerify}, true, join(pgx, nats),
			"the verifier recomputes from the facts by code that shares nothing with the services: contracts, weight, money, and rows as they were read"},
	}
}

func join(lists ...[]string) []string {
	return slices.Concat(lists...)
}

// imported is one import of one file.
type imported struct {
	file *goFile
	spec *ast.ImportSpec
	path string
}

func importsOf(files []*goFile) []imported {
	var all []imported
	for _, g := range files {
		for _, spec := range g.tree.Imports {
			if name, err := strconv.Unquote(spec.Path.Value); err == nil {
				all = append(all, imported{g, spec, name})
			}
		}
	}
	return all
}

// checkImports holds every package to its row, and all of them to three general rules: a service does not import
// another one, what services share does not import a service, and only tests use what is made for tests.
func checkImports(t *tree) []Fault {
	var faults []Fault
	table := rows()
	for _, p := range t.packages {
		from := placeOf(p.dir)
		for _, im := range importsOf(p.source()) {
			why := generalFault(from, im.path)
			for _, r := range table {
				if why == "" && slices.Contains(r.layers, from.layer) {
					why = r.fault(from, im.path)
				}
			}
			if why != "" {
				faults = append(faults, im.file.fault(im.spec.Pos(), "imports", "%s may not import %s: %s", p.dir, im.path, why))
			}
		}
	}
	return faults
}

// fault returns why a package at from may not import name, or nothing if it may.
func (r row) fault(from place, name string) string {
	for _, banned := range r.never {
		layer, isLayer := strings.CutPrefix(banned, "~")
		if isLayer && ownDir(name) != "" && placeOf(ownDir(name)).layer == layer || !isLayer && within(name, banned) {
			return r.why
		}
	}
	dir := ownDir(name)
	switch {
	case dir == "" && (standard(name) || r.outside), dir != "" && r.own == nil:
		return ""
	case dir == "":
		return r.why
	}
	to := placeOf(dir)
	if to.layer == layerContract && slices.Contains(r.own, layerContract) || to == from {
		return ""
	}
	if !slices.Contains(r.own, to.layer) || to.service != "" && to.service != from.service {
		return r.why
	}
	return ""
}

func generalFault(from place, name string) string {
	dir := ownDir(name)
	if dir == "" {
		if name == "testing" && !testOnly(from) {
			return "a program that runs at a plant carries no test code"
		}
		return ""
	}
	to := placeOf(dir)
	switch {
	case testOnly(to) && !testOnly(from) && !(from.layer == layerProgram && to.layer == "season"):
		return "this package is for tests only"
	case to.service == "" || to.layer == layerContract:
		return ""
	case from.service == "" && !testOnly(from):
		return "what services share knows none of them"
	case from.service != "" && from.service != program && to.service != from.service:
		return "services meet in proto/ and on the bus only"
	case from.service == program && to.service != program && to.layer != layerService && to.layer != layerReckon:
		return "the program starts services as a whole and uses their public calculators"
	}
	return ""
}

// ownDir returns the folder of an import of this module, or nothing.
func ownDir(name string) string {
	dir, ok := strings.CutPrefix(name, module+"/")
	if !ok {
		return ""
	}
	return dir
}

func within(name, prefix string) bool {
	return name == prefix || strings.HasPrefix(name, prefix+"/")
}

func standard(name string) bool {
	first, _, _ := strings.Cut(name, "/")
	return !strings.Contains(first, ".")
}
