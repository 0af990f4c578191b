// Command huskline is the system of a vertically integrated nut business: it weighs and takes in nuts, keeps every lot and pound, runs lots
// through stages, and answers recall drills and the cost of a pound of kernel. One program holds the three services and the command line.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	"time"
	_ "time/tzdata" // hours of scales are kept by the names of time zones, also where the machine has no such list

	"github.com/alecthomas/kong"

	"huskline/internal/failpoint"
	"huskline/internal/fault"
	"huskline/internal/rpc"
)

// Exit codes that scripts may rely on: done, failed, refused by a rule, wrong usage.
const (
	exitDone    = 0
	exitFailed  = 1
	exitRefused = 2
	exitUsage   = 80
)

// cli is the whole command line.
type cli struct {
	Data   string `help:"Data folder of a running plant (huskline up)." type:"path" env:"HUSKLINE_DATA" placeholder:"DIR"`
	Addr   string `help:"Address of the services: one, or intake=ADDR,inventory=ADDR,production=ADDR." env:"HUSKLINE_ADDR" placeholder:"ADDR"`
	Token  string `help:"Token of the device or person who calls." env:"HUSKLINE_TOKEN" placeholder:"TOKEN"`
	CA     string `help:"Certificate authority of services that speak TLS." type:"path" env:"HUSKLINE_CA" placeholder:"FILE"`
	Format string `help:"How results are printed: ${enum}." enum:"table,json,csv" default:"table" env:"HUSKLINE_FORMAT"`

	Demo    demoCmd    `cmd:"" help:"The main job on a made-up season, from nothing: starts all, sends the season, prints a recall drill and a kernel cost sheet, stops."`
	Up      upCmd      `cmd:"" help:"Run all services on one data folder, with a private Postgres and bus."`
	Serve   serveCmd   `cmd:"" help:"Run one service against a given Postgres and NATS."`
	Import  importCmd  `cmd:"" help:"Send a season folder of CSV files through the public interfaces."`
	Weigh   weighCmd   `cmd:"" help:"Post scale readings: CSV with a header row, or JSON lines."`
	Scales  scalesCmd  `cmd:"" help:"Scales: their feeds, the rules they are held to, and their registration."`
	Visits  visitsCmd  `cmd:"" help:"Visits of vehicles to the scales; those that are open when the day closes."`
	Ticket  ticketCmd  `cmd:"" help:"Print a weigh ticket with all that became of it."`
	Watch   watchCmd   `cmd:"" help:"Watch readings, balances or runs as they change, until ctrl-C."`
	Drill   drillCmd   `cmd:"" help:"Recall drill: where a lot came from and where it went, with its mass balance."`
	Origins originsCmd `cmd:"" help:"What went into a lot, in shares."`
	Cost    costCmd    `cmd:"" help:"What a lot, a batch or a run cost, to the last unit."`
	Balance balanceCmd `cmd:"" help:"Totals of weight and cost with their proof lines."`
	Verify  verifyCmd  `cmd:"" help:"Recompute stock, genealogy, cost and the hash chain from the facts and name every difference."`
	Backup  backupCmd  `cmd:"" help:"Copy the databases of a running plant, so that any later moment can be restored."`
	Restore restoreCmd `cmd:"" help:"Make a data folder of a backup, as the plant stood at a moment."`
	Reckon  reckonCmd  `cmd:"" help:"Small exact calculators; no service needed."`
	Tokens  tokenCmd   `cmd:"" name:"token" help:"Make, list and revoke tokens of devices and people."`
}

// session is what a command works with.
type session struct {
	ctx    context.Context
	cli    *cli
	in     io.Reader
	out    io.Writer
	errout io.Writer
	now    func() time.Time
}

// heapGrowth is by how many percent the heap grows between collections. Services and commands keep little and allocate much per call, so
// collecting at the runtime's 100 costs a tenth of their processor time for memory that nobody is short of.
const heapGrowth = 300

func main() {
	if _, chosen := os.LookupEnv("GOGC"); !chosen {
		debug.SetGCPercent(heapGrowth)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr})
	stop()
	os.Exit(code)
}

// streams are what the program reads and writes: results on out, all else on err.
type streams struct {
	in  io.Reader
	out io.Writer
	err io.Writer
}

// leave carries an exit code out of the command line parser, which wants to exit by itself.
type leave struct{ code int }

func run(ctx context.Context, args []string, s streams) (code int) {
	defer func() {
		switch p := recover().(type) {
		case nil:
		case leave:
			code = p.code
		default:
			panic(p)
		}
	}()
	var c cli
	parser, err := kong.New(&c, kong.Name("huskline"), kong.Writers(s.out, s.err), kong.UsageOnError(),
		kong.Exit(func(code int) { panic(leave{code}) }),
		kong.Description("Weighs, traces and costs the nuts of a vertically integrated nut business.\n\n"+
			"Exit codes: 0 done, 1 failed, 2 refused by a rule, 80 wrong usage."))
	if err != nil {
		fmt.Fprintln(s.err, "huskline:", err)
		return exitFailed
	}
	parsed, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(s.err, "huskline: %v\nTry: huskline --help\n", err)
		return exitUsage
	}
	ctx, cancel := bounded(ctx, parsed.Command())
	defer cancel()
	err = parsed.Run(&session{ctx: ctx, cli: &c, in: s.in, out: s.out, errout: s.err, now: failpoint.Clock(time.Now)})
	if err != nil {
		fmt.Fprintln(s.err, "huskline:", strings.TrimSpace(err.Error()))
	}
	return exitOf(err)
}

// patience is how long a command that asks waits for its answer; what is asked for may lie ahead of what a service has.
const patience = 30 * time.Second

// bounded gives a command that only asks a deadline. What serves, sends or recomputes takes as long as it takes.
func bounded(ctx context.Context, command string) (context.Context, context.CancelFunc) {
	name, _, _ := strings.Cut(command, " ")
	switch name {
	case "drill", "origins", "cost", "balance", "token", "scales", "visits", "ticket":
		return context.WithTimeout(ctx, patience)
	}
	return context.WithCancel(ctx)
}

// usageError is a command line that parses and yet makes no sense.
type usageError struct{ error }

func exitOf(err error) int {
	var usage usageError
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &usage):
		return exitUsage
	case fault.Refused(rpc.FromStatus(err)):
		return exitRefused
	}
	return exitFailed
}
