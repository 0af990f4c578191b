package archtest

import (
	"slices"
	"strings"
)

// place says where a package stands: in which layer, and of which service if it belongs to one. The layer of a package
// straight below internal/ is its own name.
type place struct {
	layer   string
	service string
}

// The layers inside services/ and proto/.
const (
	layerReckon   = "reckon"
	layerSim      = "sim"
	layerDomain   = "domain"
	layerStore    = "store"
	layerServer   = "server"
	layerConsumer = "consumer"
	layerCaller   = "caller"
	layerService  = "service"
	layerProgram  = "program"
	layerVerify   = "verify"
	layerBench    = "bench"
	layerContract = "contract"
	layerTool     = "tool"
)

// program is the folder of the one program, which is a service by its place in the tree only.
const program = "huskline"

// placeOf finds the place of a folder given from the top of the tree.
func placeOf(dir string) place {
	parts := strings.Split(dir, "/")
	switch {
	case parts[0] == "proto" && len(parts) > 2:
		return place{layerContract, parts[2]}
	case parts[0] == "internal" && len(parts) > 1:
		return place{parts[1], ""}
	case parts[0] == "services" && len(parts) > 1:
		return servicePlace(parts[1], parts[2:])
	}
	return place{layerTool, ""}
}

func servicePlace(service string, rest []string) place {
	if service == program {
		return place{layerProgram, service}
	}
	if len(rest) == 0 {
		return place{layerService, service}
	}
	if rest[0] == layerReckon || rest[0] == layerSim {
		return place{rest[0], service}
	}
	if rest[0] != "internal" || len(rest) == 1 {
		return place{layerService, service}
	}
	switch rest[1] {
	case layerStore, layerServer, layerConsumer, layerCaller, layerBench:
		return place{rest[1], service}
	}
	return place{layerDomain, service}
}

// testOnly lists the packages below internal/ that only tests may use, and that may therefore use what tests use.
func testOnly(p place) bool {
	return p.service == "" && slices.Contains([]string{"checker", "season", "dbtest", "bustest", "planttest", "exacttest", "archtest", "storm"}, p.layer) ||
		p.layer == layerSim || p.layer == layerBench
}
