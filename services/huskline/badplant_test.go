package main

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/planttest"
	"huskline/services/huskline/internal/launch"
)

func readToken(t *testing.T, dir string) string {
	t.Helper()
	e, err := launch.ReadEndpoint(dir)
	require.NoError(t, err)
	return e.Token
}

// badReadings posts lines of which some are bad: the good ones are stored, each bad one is named with its rule. It catches a batch that is stored
// whole or dropped whole.
func badReadings(t *testing.T, up *planttest.One, _ *trade) {
	const feed = "scale,seq,time,reading,unit,kind,reference\n" +
		"g-T1,3,2024-10-02T08:00:00Z,10.5,LBR,gross,\n" + // 2
		"g-T1,4,2024-10-02T08:00:00Z,\"1,100\",LBR,gross,\n" + // 3
		"g-T1,5,2024-10-02T08:00:00Z,1e3,LBR,gross,\n" + // 4
		"g-T1,6,2024-10-02T08:00:00Z,１０,LBR,gross,\n" + // 5
		"g-T1,7,2024-10-02T08:00:00Z,10,PND,gross,\n" + // 6
		"g-T1,8,2024-10-02T08:00:00,10,LBR,gross,\n" + // 7
		"g-T1,1,2024-10-01T08:00:00Z,999,LBR,gross,g-D-1\n" + // 8, in conflict with the import
		"g-T1,9,2024-10-02T08:00:01Z,4.7,KGM,tare,\n" // 9
	r := commandWith(t.Context(), feed, "--data", up.Dir, "--format", "json", "weigh")
	if r.Code != exitRefused {
		t.Errorf("exit %d, want 2: %s", r.Code, r.Err)
	}
	var o weighObject
	planttest.Decode(t, r.Out, &o)
	if o.Stored != 2 || o.Refused != 5 || o.Conflicts != 1 {
		t.Errorf("%d stored, %d refused, %d in conflict; want 2, 5, 1: %+v", o.Stored, o.Refused, o.Conflicts, o.Exceptions)
	}
	var lines []int
	for _, e := range o.Exceptions {
		lines = append(lines, e.Line)
		if e.Reason == "" || e.Message == "" {
			t.Errorf("line %d: no rule named: %+v", e.Line, e)
		}
	}
	slices.Sort(lines)
	require.Equal(t, []int{3, 4, 5, 6, 7, 8}, lines, "lines named")
	again := commandWith(t.Context(), feed, "--data", up.Dir, "--format", "json", "weigh")
	planttest.Decode(t, again.Out, &o)
	if o.Stored != 0 || o.Repeated != 2 {
		t.Errorf("the same lines again: %d stored, %d repeated; want none and 2", o.Stored, o.Repeated)
	}
	unknown := commandWith(t.Context(), "scale,seq,time,reading,unit,kind,reference,colour\n", "--data", up.Dir, "weigh")
	if unknown.Code == exitDone || !strings.Contains(unknown.Err, "colour") {
		t.Errorf("unknown column: exit %d, %s; want it named", unknown.Code, unknown.Err)
	}
}

// usageLimit ends a question that waits for what may never come.
const usageLimit = 3 * time.Second

// badUsage holds the exit codes that scripts rely on: 80 for a command line that makes no sense, 2 for a rule, 1 for what failed.
func badUsage(t *testing.T, up *planttest.One, _ *trade) {
	for _, tt := range []struct {
		name string
		args []string
		code int
		says string
	}{
		{"no command", nil, exitUsage, ""},
		{"unknown command", []string{"weave"}, exitUsage, "weave"},
		{"unknown flag", []string{"balance", "--colour"}, exitUsage, "colour"},
		{"unknown format", []string{"--format", "xml", "balance"}, exitUsage, "xml"},
		{"no plant named", []string{"balance"}, exitUsage, "--data"},
		{"two plants named", []string{"--data", up.Dir, "--addr", "127.0.0.1:1", "balance"}, exitUsage, "exclude"},
		{"addr without a service", []string{"--addr", "intake=127.0.0.1:1,inventory=127.0.0.1:1", "balance"}, exitUsage, "production"},
		{"missing argument", []string{"--data", up.Dir, "drill"}, exitUsage, "lot"},
		{"folder that is not there", []string{"--data", up.Dir, "import", filepath.Join(up.Dir, "nowhere")}, exitUsage, "nowhere"},
		{"up without a folder", []string{"up"}, exitUsage, "--data"},
		{"time without a zone", []string{"--data", up.Dir, "drill", "g-D-1", "--at", "2024-10-01T08:00:00"}, exitUsage, "zone"},
		{"malformed vector", []string{"--data", up.Dir, "drill", "g-D-1", "--as-of", "intake-7"}, exitUsage, "intake-7"},
		{"unknown lot", []string{"--data", up.Dir, "drill", "no-such"}, exitRefused, "no-such"},
		{"unknown lot's cost", []string{"--data", up.Dir, "cost", "lot", "no-such"}, exitRefused, "no-such"},
		{"unknown run", []string{"--data", up.Dir, "cost", "run", "no-such"}, exitRefused, "no-such"},
		{"unknown lot's origins", []string{"--data", up.Dir, "origins", "no-such"}, exitRefused, "no-such"},
		{"vector that was never printed", []string{"--data", up.Dir, "balance", "--as-of", "production/1/99999999,intake/1/1,inventory/1/1"}, exitRefused, "99999999"},
		{"unknown calculator", []string{"reckon", "no-such"}, exitUsage, "no-such"},
		{"unknown role", []string{"--data", up.Dir, "token", "make", "gate", "--roles", "king"}, exitRefused, "king"},
		{"nothing runs there", []string{"--data", t.TempDir(), "balance"}, exitFailed, "huskline up"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			ctx, cancel := context.WithTimeout(t.Context(), usageLimit)
			defer cancel()
			r := commandWith(ctx, "", tt.args...)
			if r.Code != tt.code || !strings.Contains(r.Err, tt.says) {
				t.Errorf("exit %d, %q; want %d naming %q", r.Code, r.Err, tt.code, tt.says)
			}
			if r.Out != "" {
				t.Errorf("results were printed: %s", r.Out)
			}
		})
	}
}

// badPlant starts what cannot start and calls with what may not call. It catches a second start that disturbs the first.
func badPlant(t *testing.T, up *planttest.One, tr *trade) {
	before := tr.ask(t, "balance")
	t.Run("folder in use", func(t *testing.T) {
		r := planttest.Call(t, "up", "--data", up.Dir)
		if r.Code != exitRefused || !strings.Contains(r.Err, up.Dir) || !strings.Contains(r.Err, itoa(up.PID())) {
			t.Errorf("exit %d, %q; want 2 naming folder and process %d", r.Code, r.Err, up.PID())
		}
	})
	t.Run("port in use", func(t *testing.T) {
		dir := filepath.Join(t.TempDir(), "other")
		r := planttest.Call(t, "up", "--data", dir, "--grpc", up.GRPC)
		if r.Code != exitRefused || !strings.Contains(r.Err, up.GRPC) {
			t.Errorf("exit %d, %q; want 2 naming %s", r.Code, r.Err, up.GRPC)
		}
		require.NoFileExists(t, filepath.Join(dir, "endpoint"))
	})
	t.Run("folder that cannot be made", func(t *testing.T) {
		file := filepath.Join(t.TempDir(), "file")
		require.NoError(t, os.WriteFile(file, nil, 0o600))
		r := planttest.Call(t, "up", "--data", filepath.Join(file, "plant"))
		if r.Code != exitFailed || !strings.Contains(r.Err, file) {
			t.Errorf("exit %d, %q; want 1 naming %s", r.Code, r.Err, file)
		}
	})
	t.Run("nobody listens", func(t *testing.T) {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		addr := l.Addr().String()
		require.NoError(t, l.Close())
		if r := command(t, "--addr", addr, "--token", "x", "balance"); r.Code != exitFailed || !strings.Contains(r.Err, addr) {
			t.Errorf("exit %d, %q; want 1 naming %s", r.Code, r.Err, addr)
		}
	})
	if after := tr.ask(t, "balance"); after != before {
		t.Errorf("the plant has changed:\n%s\nwas:\n%s", after, before)
	}
}

// badTokens calls without a token, with an unknown one, with one whose role does not open the method, and with a revoked one.
func badTokens(t *testing.T, up *planttest.One, _ *trade) {
	var made struct {
		TokenID string `json:"token_id"`
		Token   string
	}
	planttest.Decode(t, mustPrint(t, "--data", up.Dir, "--format", "json", "token", "make", "gate-post", "--roles", "weigh-post"), &made)
	weigh := func(token string) planttest.Result {
		const feed = "scale,seq,time,reading,unit,kind,reference\ng-T1,50,2024-10-02T09:00:00Z,10.5,LBR,gross,\n"
		return commandWith(t.Context(), feed, "--addr", up.GRPC, "--token", token, "weigh")
	}
	if r := weigh(made.Token); r.Code != exitDone {
		t.Errorf("weigh with the post's token: exit %d: %s", r.Code, r.Err)
	}
	if r := command(t, "--addr", up.GRPC, "--token", made.Token, "balance"); r.Code != exitRefused || !strings.Contains(r.Err, "gate-post") {
		t.Errorf("balance with a post's token: exit %d, %q; want 2 naming who asked", r.Code, r.Err)
	}
	for name, token := range map[string]string{"wrong": strings.Repeat("0", 64), "missing": ""} {
		if r := command(t, "--addr", up.GRPC, "--token", token, "balance"); r.Code != exitRefused || !strings.Contains(r.Err, "token") {
			t.Errorf("%s token: exit %d, %q; want 2 naming the token", name, r.Code, r.Err)
		}
	}
	mustPrint(t, "--data", up.Dir, "token", "revoke", made.TokenID)
	// A service believes a token that it has looked up for five seconds.
	require.Eventually(t, func() bool { return weigh(made.Token).Code == exitRefused }, 20*time.Second, 200*time.Millisecond, "weigh with a revoked token")
}

// TestImportInterrupted stops an import by ctrl-C at several points and runs it again to its end: nothing is lost, nothing is doubled. It catches an
// import whose ids or batches depend on where it was stopped.
func TestImportInterrupted(t *testing.T) {
	t.Parallel()
	up := planttest.Up(t, planttest.UpConfig{})
	folder := seasonFolder("season")
	for _, lots := range []int64{1, 200, 400} {
		r := interrupted(t, up, folder, lots)
		if r.Code != exitFailed || !strings.Contains(r.Err, "run it again") {
			t.Errorf("interrupted after %d lots: exit %d, %q; want 1 and what to do", lots, r.Code, r.Err)
		}
	}
	s := &importedSeason{folder: folder, up: up}
	s.asked = loadExpected(t, folder).questions()[:1+103]
	s.send(t)
	s.compareAll(t)
}

// interrupted imports until the plant has so many lots.
func interrupted(t *testing.T, up *planttest.One, folder string, lots int64) planttest.Result {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan planttest.Result, 1)
	go func() { ended <- commandWith(ctx, "", "--data", up.Dir, "import", folder) }()
	for {
		select {
		case r := <-ended:
			return r
		default:
		}
		var b balanceObject
		if r := command(t, "--data", up.Dir, "--format", "json", "balance"); r.Code == exitDone {
			planttest.Decode(t, r.Out, &b)
			if b.Season.Lots >= lots {
				cancel()
				return <-ended
			}
		}
	}
}
