package archtest_test

import (
	"fmt"
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"

	"huskline/internal/archtest"
)

// fixture is a tree of a few files that breaks no rule until something is put over it.
func fixture(over map[string]string) fs.FS {
	files := fstest.MapFS{
		".gitignore":                {Data: []byte("/huskline\n/bin/\n*.test\n")},
		"go.mod":                    {Data: []byte("module huskline\n")},
		"internal/weight/weight.go": {Data: []byte("// Package weight weighs.\npackage weight\n\n// Net is net.\ntype Net int64\n")},
	}
	for name, text := range over {
		files[name] = &fstest.MapFile{Data: []byte(text)}
	}
	return files
}

// source writes a documented package that imports the given paths.
func source(pkg string, imports ...string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "// Package %s is a trial.\npackage %s\n\nimport (\n", pkg, pkg)
	for _, name := range imports {
		fmt.Fprintf(&b, "\t_ %q\n", name)
	}
	b.WriteString(")\n")
	return b.String()
}

// body writes a documented package with the given declarations.
func body(pkg, decls string) string {
	return fmt.Sprintf("// Package %s is a trial.\npackage %s\n\n%s\n", pkg, pkg, decls)
}

// judge compares the faults of the fixture with what is wanted: each want is part of one fault, in order.
func judge(t *testing.T, over map[string]string, want ...string) {
	t.Helper()
	faults, err := archtest.Check(fixture(over))
	if err != nil {
		t.Fatalf("Check: %v", err)
	}
	if len(faults) != len(want) {
		t.Fatalf("got %d faults, want %d:\n%v", len(faults), len(want), faults)
	}
	for i, part := range want {
		if !strings.Contains(faults[i].String(), part) {
			t.Errorf("fault %d is %q, want %q in it", i, faults[i], part)
		}
	}
}

func TestImports(t *testing.T) {
	t.Parallel()
	const (
		pgx    = "github.com/jackc/pgx/v5"
		nats   = "github.com/nats-io/nats.go"
		grpc   = "google.golang.org/grpc"
		intake = "services/intake/internal/"
	)
	tests := []struct {
		name, dir, imports string
		want               string // part of the fault; none is wanted if empty
	}{
		{"weight uses the standard library", "internal/weight", "math/big", ""},
		{"weight uses another module", "internal/weight", "github.com/google/uuid", "weight is a pure value"},
		{"weight uses a domain's value", "internal/weight", "huskline/internal/lot", "weight is a pure value"},
		{"money uses weight", "internal/money", "huskline/internal/weight", ""},
		{"money uses share", "internal/money", "huskline/internal/share", "money is a pure value"},
		{"fault uses weight", "internal/fault", "huskline/internal/weight", "rest on the standard library alone"},
		{"share uses a lot", "internal/share", "huskline/internal/lot", "pure function of amounts"},
		{"lot takes a context", "internal/lot", "context", "values to values"},
		{"lot opens files", "internal/lot", "os", "values to values"},
		{"reckon uses weight", "services/intake/reckon", "huskline/internal/weight", ""},
		{"reckon dials", "services/intake/reckon", "net/http", "a calculator is pure"},
		{"reckon uses a domain", "services/intake/reckon", "huskline/" + intake + "party", "a calculator is pure"},
		{"domain uses a sibling", intake + "delivery", "huskline/" + intake + "party", ""},
		{"domain uses its calculators", intake + "delivery", "huskline/services/intake/reckon", ""},
		{"domain uses pgx", intake + "delivery", pgx, "knows no database"},
		{"domain uses database/sql", intake + "delivery", "database/sql", "knows no database"},
		{"domain uses nats", intake + "delivery", nats, "knows no database"},
		{"domain uses grpc", intake + "delivery", grpc + "/codes", "knows no database"},
		{"domain uses messages", intake + "delivery", "huskline/proto/huskline/intake/v1", "knows no database"},
		{"domain logs", intake + "delivery", "log/slog", "knows no database"},
		{"domain uses the store", intake + "delivery", "huskline/" + intake + "store", "knows no database"},
		{"domain uses plumbing", intake + "delivery", "huskline/internal/bus", "knows no database"},
		{"store uses pgx", intake + "store", pgx, ""},
		{"store uses grpc", intake + "store", grpc, "speaks SQL only"},
		{"store uses nats", intake + "store", nats, "speaks SQL only"},
		{"server uses its contract", intake + "server", "huskline/proto/huskline/intake/v1", ""},
		{"server uses the store", intake + "server", "huskline/" + intake + "store", "a server turns messages"},
		{"server uses pgx", intake + "server", pgx, "a server turns messages"},
		{"consumer uses grpc", intake + "consumer", grpc, "a consumer turns events"},
		{"consumer uses the store", intake + "consumer", "huskline/" + intake + "store", "a consumer turns events"},
		{"caller uses the other's contract", intake + "caller", "huskline/proto/huskline/inventory/v1", ""},
		{"caller uses nats", intake + "caller", nats, "holds no transaction open"},
		{"caller uses the store", intake + "caller", "huskline/" + intake + "store", "holds no transaction open"},
		{"service wires its store", "services/intake", "huskline/" + intake + "store", ""},
		{"service uses another", "services/intake", "huskline/services/inventory", "services meet in proto/"},
		{"domain uses another's calculators", intake + "delivery", "huskline/services/inventory/reckon", "services meet in proto/"},
		{"program starts a service", "services/huskline/internal/launch", "huskline/services/intake", ""},
		{"program reaches into a simulation", "services/huskline/internal/launch", "huskline/services/intake/sim", "tests only"},
		{"verifier uses a contract", "internal/verify", "huskline/proto/huskline/event/v1", ""},
		{"verifier uses share", "internal/verify", "huskline/internal/share", "shares nothing with the services"},
		{"verifier runs commands", "internal/verify", "huskline/internal/command", "shares nothing with the services"},
		{"outbox uses nats", "internal/outbox", nats, "handed the function that publishes"},
		{"bus uses pgx", "internal/bus", pgx, "transport knows no storage"},
		{"rpc uses postgres", "internal/rpc", "huskline/internal/postgres", "transport knows no storage"},
		{"rpc uses a service", "internal/rpc", "huskline/services/intake", "knows none of them"},
		{"feed sleeps on the network", "internal/feed", "net", "can be simulated"},
		{"command uses a test database", "internal/command", "huskline/internal/dbtest", "tests only"},
		{"command uses testing", "internal/command", "testing", "carries no test code"},
		{"dbtest uses testing", "internal/dbtest", "testing", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			name := tt.dir[strings.LastIndex(tt.dir, "/")+1:]
			var want []string
			if tt.want != "" {
				want = []string{tt.want}
			}
			judge(t, map[string]string{tt.dir + "/x.go": source(name, tt.imports)}, want...)
		})
	}
}

// TestImportsOfTests shows that the table binds what runs at a plant, not its tests.
func TestImportsOfTests(t *testing.T) {
	t.Parallel()
	judge(t, map[string]string{
		"internal/lot/lot.go":      body("lot", ""),
		"internal/lot/lot_test.go": source("lot", "testing", "os", "huskline/internal/dbtest"),
	})
}

func TestSizes(t *testing.T) {
	t.Parallel()
	lines := func(n int) string { return strings.Repeat("\tf()\n", n) }
	methods := "// I is one.\ntype I interface {\n"
	for i := range 9 {
		methods += fmt.Sprintf("\tm%d()\n", i)
	}
	methods += "}"
	own := make([]string, 13)
	for i := range own {
		own[i] = fmt.Sprintf("huskline/internal/p%d", i)
	}
	tests := []struct {
		name, file, text string
		want             []string
	}{
		{"function at the limit", "internal/lot/x.go", body("lot", "func f() {\n"+lines(68)+"}"), nil},
		{"function over it", "internal/lot/x.go", body("lot", "func f() {\n"+lines(69)+"}"), []string{"f has 71 lines, the limit is 70"}},
		{"test over it", "internal/weight/x_test.go", body("weight", "func f() {\n"+lines(149)+"}"), []string{"f has 151 lines, the limit is 150"}},
		{"file over it", "internal/lot/x.go", body("lot", strings.Repeat("// x\n", 500)), []string{"504 lines, the limit is 500"}},
		{"parameters at the limit", "internal/lot/x.go",
			body("lot", "func f(ctx context.Context, a, b int, c, d string, e ...int) {}"), nil},
		{"parameters over it", "internal/lot/x.go",
			body("lot", "func f(a, b, c, d, e int, _ string) {}"), []string{"f has 6 parameters, the limit is 5"}},
		{"interface over it", "internal/lot/x.go", body("lot", methods), []string{"interface of 9 methods, the limit is 8"}},
		{"own packages over it", "services/intake/x.go", source("intake", own...), []string{"imports 13 own packages, the limit is 12"}},
		{"own packages of the program", "services/huskline/x.go", source("main", own...), nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			judge(t, map[string]string{tt.file: tt.text}, tt.want...)
		})
	}
}

func TestSource(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name, file, text string
		want             []string
	}{
		{"package without comment", "internal/lot/x.go", "package lot\n", []string{"internal/lot: comments: the package has no comment"}},
		{"type without comment", "internal/lot/x.go", body("lot", "type T int"), []string{"x.go:4: comments: T has no comment"}},
		{"function without comment", "internal/lot/x.go", body("lot", "func F() {}"), []string{"F has no comment"}},
		{"method without comment", "internal/lot/x.go", body("lot", "// T is.\ntype T[K any] int\n\nfunc (t *T[K]) M() {}"), []string{"M has no comment"}},
		{"method of a private type", "internal/lot/x.go", body("lot", "type t int\n\nfunc (t t) M() {}"), nil},
		{"constant without comment", "internal/lot/x.go", body("lot", "const (\n\tA = 1\n\tB = 2 // B is.\n)"), []string{"A has no comment"}},
		{"group with one comment", "internal/lot/x.go", body("lot", "// All.\nconst (\n\tA = 1\n\tB = 2\n)"), nil},
		{"banned name", "internal/helper/x.go", body("helper", ""), []string{"package helper"}},
		{"name unlike its folder", "internal/lot/x.go", body("lots", ""), []string{"package lots lies in folder internal/lot"}},
		{"init", "internal/lot/x.go", body("lot", "func init() {}"), []string{"init runs unseen"}},
		{"init in a test", "internal/weight/x_test.go", "package weight\n\nfunc init() {}\n", []string{"init runs unseen"}},
		{"variable filled later", "internal/lot/x.go", body("lot", "var seen map[string]bool"), []string{"seen has no value"}},
		{"variable changed", "internal/lot/x.go", body("lot", "var n = 1\n\nfunc f() { n++ }"), []string{"package variable n is changed"}},
		{"part of a variable changed", "internal/lot/x.go", body("lot", "var m = map[int]int{}\n\nfunc f() { m[1] = 2 }"), []string{"package variable m is changed"}},
		{"local of the same name", "internal/lot/x.go", body("lot", "var n = 1\n\nfunc f() { n := 2; n++ }"), nil},
		{"embedded file", "internal/lot/x.go", body("lot", "//go:embed x.sql\nvar sql string"), nil},
		{"environment", "internal/bus/x.go", body("bus", "import \"os\"\n\nvar x = os.Getenv(\"A\")"), []string{"os.Getenv: only the program reads the environment"}},
		{"exit", "internal/bus/x.go", body("bus", "import \"os\"\n\nfunc f() { os.Exit(1) }"), []string{"os.Exit: only the program exits"}},
		{"clock", "services/intake/x.go", body("intake", "import \"time\"\n\nvar now = time.Now"), []string{"time.Now: only the program reads the clock"}},
		{"clock of the program", "services/huskline/x.go", body("main", "import \"time\"\n\nvar now = time.Now"), nil},
		{"float type", "internal/money/x.go", body("money", "func f(float64) {}"), []string{"float64: amounts are integers"}},
		{"float literal", "internal/share/x.go", body("share", "const half = 0.5"), []string{"0.5: amounts are integers"}},
		{"float from text", "internal/weight/x.go", body("weight", "var x = strconv.ParseFloat"), []string{"ParseFloat: amounts are integers"}},
		{"float of a ratio", "internal/weight/x.go", body("weight", "func f(r *big.Rat) { r.Float64() }"), []string{"Float64: amounts are integers"}},
		{"float elsewhere", "internal/telemetry/x.go", body("telemetry", "const half = 0.5"), nil},
		{"silenced without reason", "internal/lot/x.go", body("lot", "//nolint:errcheck\nfunc f() {}"), []string{"silenced: write //nolint"}},
		{"silenced without check", "internal/lot/x.go", body("lot", "//nolint // because it must\nfunc f() {}"), []string{"silenced: write //nolint"}},
		{"silenced well", "internal/lot/x.go", body("lot", "//nolint:errcheck // the file is read only\nfunc f() {}"), nil},
		{"staticcheck without reason", "internal/lot/x.go", body("lot", "//lint:ignore SA1019\nfunc f() {}"), []string{"silenced: write //lint:ignore"}},
		{"staticcheck with one", "internal/lot/x.go", body("lot", "//lint:ignore SA1019 the old form is on the wire\nfunc f() {}"), nil},
		{"work put off", "internal/lot/x.go", body("lot", "// TO"+"DO later\nfunc f() {}"), []string{"names its issue"}},
		{"work put off with its issue", "internal/lot/x.go", body("lot", "// TO"+"DO(#12) later\nfunc f() {}"), nil},
		{"generated code", "proto/huskline/lot/v1/x.pb.go", "package other\n\nfunc init() {}\n", nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			judge(t, map[string]string{tt.file: tt.text}, tt.want...)
		})
	}
}

func TestText(t *testing.T) {
	t.Parallel()
	const registry, home = "proxy.golang" + ".org", "/ro" + "ot/"
	tests := []struct {
		name, file, text string
		want             []string
	}{
		{"stranger at the top", "notes.md", "x", []string{"notes.md: top level: may not stand here"}},
		{"folder at the top", "pkg/x.txt", "x", []string{"pkg: top level: may not stand here"}},
		{"built program at the top", "huskline", "\xff\xfe", nil},
		{"registry", "deploy/image", "\nENV GOPROXY=https://" + registry, []string{"deploy/image:2: text: names a package registry's host"}},
		{"machine", "README.md", "see " + home + "x", []string{"README.md:1: text: names a path of one machine"}},
		{"folder inside a path", "README.md", "see chroot" + home + "x", nil},
		{"checksums", "go.sum", registry, nil},
		{"registry in generated code", "proto/x.pb.go", "package x // " + registry, []string{"names a package registry's host"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			judge(t, map[string]string{tt.file: tt.text}, tt.want...)
		})
	}
}

// TestUnreadable shows that a tree which cannot be judged is an error, not a tree without faults.
func TestUnreadable(t *testing.T) {
	t.Parallel()
	if faults, err := archtest.Check(fixture(map[string]string{"internal/lot/x.go": "package"})); err == nil {
		t.Errorf("a file that does not parse: got %d faults and no error, want an error", len(faults))
	}
	if _, err := archtest.Check(fstest.MapFS{}); err == nil {
		t.Error("an empty tree: got no error, want one")
	}
}
