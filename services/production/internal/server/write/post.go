package write

import (
	"context"
	"slices"

	"google.golang.org/protobuf/proto"

	"huskline/internal/command"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/production/internal/run"
)

// DumpInput records goods dumped into an open run.
func (c *Commands) DumpInput(ctx context.Context, r *productionv1.DumpInputRequest) (*productionv1.DumpInputResponse, error) {
	return post[*productionv1.DumpInputResponse](ctx, c, r)
}

// FillOutput records a container filled by an open run.
func (c *Commands) FillOutput(ctx context.Context, r *productionv1.FillOutputRequest) (*productionv1.FillOutputResponse, error) {
	return post[*productionv1.FillOutputResponse](ctx, c, r)
}

// CompleteRun ends an open run.
func (c *Commands) CompleteRun(ctx context.Context, r *productionv1.CompleteRunRequest) (*productionv1.CompleteRunResponse, error) {
	return post[*productionv1.CompleteRunResponse](ctx, c, r)
}

// RecordRun records a whole run at once.
func (c *Commands) RecordRun(ctx context.Context, r *productionv1.RecordRunRequest) (*productionv1.RecordRunResponse, error) {
	return post[*productionv1.RecordRunResponse](ctx, c, r)
}

// CorrectRun puts a completed run right, with the later uses that change with it.
func (c *Commands) CorrectRun(ctx context.Context, r *productionv1.CorrectRunRequest) (*productionv1.CorrectRunResponse, error) {
	return post[*productionv1.CorrectRunResponse](ctx, c, r)
}

func handlers() []command.Handler[Tx] {
	return []command.Handler[Tx]{
		handler("DumpInput", dumpIntent, added[*productionv1.DumpInputRequest](&productionv1.DumpInputResponse{}), nil),
		handler("FillOutput", fillIntent, added[*productionv1.FillOutputRequest](&productionv1.FillOutputResponse{}), nil),
		handler("CompleteRun", completeIntent, completeOutcome, run.Undo),
		handler("RecordRun", recordIntent, recordOutcome, run.Undo),
		handler("CorrectRun", correctIntent, correctOutcome, run.Undo),
	}
}

// accepted is what the inventory said to a movement.
type accepted struct {
	posted lot.RunPosted
	set    lot.Corrected
	totals run.Totals
}

// handler ties the two halves of a use-case to its request: intent gives the movement, outcome records what was accepted, undo takes back what
// the request's command has reserved.
func handler[Q command.Request](
	method string, intent func(context.Context, Tx, Q) (run.Movement, error),
	outcome func(context.Context, Tx, Q, accepted) (proto.Message, []lot.Event, error), undo func(context.Context, run.Tx, string) error,
) command.Handler[Tx] {
	h := command.Handler[Tx]{
		Method: method,
		NewRequest: func() command.Request {
			var none Q
			return none.ProtoReflect().New().Interface().(command.Request)
		},
		Intent: func(ctx context.Context, tx Tx, req command.Request) (*inventoryv1.PostMovementRequest, error) {
			m, err := intent(ctx, tx, req.(Q))
			if err != nil {
				return nil, err
			}
			return movement(m), nil
		},
		Outcome: func(
			ctx context.Context, tx Tx, req command.Request, move *inventoryv1.PostMovementRequest, resp *inventoryv1.PostMovementResponse,
		) (proto.Message, []lot.Event, error) {
			a := accepted{totals: run.Totals{In: lot.Quantity(resp.GetInputMicropounds()), Out: lot.Quantity(resp.GetOutputMicropounds())}}
			var err error
			if move.GetCorrection() != nil {
				a.set, err = lotwire.ParseCorrected(move.GetCorrection())
			} else {
				a.posted, err = lotwire.ParseRunPosted(move.GetRun())
			}
			if err != nil {
				return nil, nil, fault.Bug("%s: the movement that was asked for cannot be read again: %v", method, err)
			}
			return outcome(ctx, tx, req.(Q), a)
		},
	}
	if undo != nil {
		h.Refused = func(ctx context.Context, tx Tx, req command.Request, _ error) error {
			return undo(ctx, tx, req.GetCommandId())
		}
	}
	return h
}

// movement is what the inventory is asked for, on the wire.
func movement(m run.Movement) *inventoryv1.PostMovementRequest {
	req := &inventoryv1.PostMovementRequest{Effective: lotwire.Time(m.At), Line: m.Line}
	for id, claimant := range m.Claims {
		req.Claims = append(req.Claims, &inventoryv1.Claim{Lot: string(id), Claimant: claimant})
	}
	slices.SortFunc(req.Claims, func(a, b *inventoryv1.Claim) int {
		if a.GetLot() < b.GetLot() {
			return -1
		}
		return 1
	})
	if m.Set != nil {
		req.Movement = &inventoryv1.PostMovementRequest_Correction{Correction: lotwire.Corrected(*m.Set)}
		return req
	}
	req.Movement = &inventoryv1.PostMovementRequest_Run{Run: lotwire.RunPosted(m.Posted)}
	return req
}

func dumpIntent(ctx context.Context, tx Tx, r *productionv1.DumpInputRequest) (run.Movement, error) {
	in, err := inputOf(r.GetInput())
	if err != nil {
		return run.Movement{}, err
	}
	return run.Dump(ctx, tx, lot.RunID(r.GetRun()), in)
}

func fillIntent(ctx context.Context, tx Tx, r *productionv1.FillOutputRequest) (run.Movement, error) {
	out, err := outputOf(r.GetOutput())
	if err != nil {
		return run.Movement{}, err
	}
	return run.Fill(ctx, tx, lot.RunID(r.GetRun()), out)
}

// added is the outcome of a dump or a fill; the inventory has said the event.
func added[Q command.Request](answer proto.Message) func(context.Context, Tx, Q, accepted) (proto.Message, []lot.Event, error) {
	return func(ctx context.Context, tx Tx, _ Q, a accepted) (proto.Message, []lot.Event, error) {
		return proto.Clone(answer), nil, run.Added(ctx, tx, a.posted)
	}
}

func completeIntent(ctx context.Context, tx Tx, r *productionv1.CompleteRunRequest) (run.Movement, error) {
	end, err := lotwire.ParseTime(r.GetEnd())
	if err != nil {
		return run.Movement{}, err
	}
	return run.End(ctx, tx, r.GetCommandId(), run.Completion{
		Run: lot.RunID(r.GetRun()), End: end, Contributions: lotwire.ParseContributions(r.GetContributions()), GainReason: r.GetGainReason(),
	})
}

func completeOutcome(ctx context.Context, tx Tx, r *productionv1.CompleteRunRequest, a accepted) (proto.Message, []lot.Event, error) {
	done, events, err := run.Ended(ctx, tx, r.GetCommandId(), a.posted, a.totals)
	return &productionv1.CompleteRunResponse{
		InputMicropounds: int64(done.Input), OutputMicropounds: int64(done.Output), UnaccountedMicropounds: int64(done.Unaccounted),
	}, events, err
}

func recordIntent(ctx context.Context, tx Tx, r *productionv1.RecordRunRequest) (run.Movement, error) {
	f, err := factsOf(r.GetRun())
	if err != nil {
		return run.Movement{}, err
	}
	return run.Record(ctx, tx, r.GetCommandId(), f)
}

func recordOutcome(ctx context.Context, tx Tx, r *productionv1.RecordRunRequest, a accepted) (proto.Message, []lot.Event, error) {
	done, events, err := run.Recorded(ctx, tx, r.GetCommandId(), a.posted, a.totals)
	return &productionv1.RecordRunResponse{
		Run: string(done.Run), InputMicropounds: int64(done.Input), OutputMicropounds: int64(done.Output),
		UnaccountedMicropounds: int64(done.Unaccounted),
	}, events, err
}

func correctIntent(ctx context.Context, tx Tx, r *productionv1.CorrectRunRequest) (run.Movement, error) {
	c, err := correctionOf(r)
	if err != nil {
		return run.Movement{}, err
	}
	return run.Correct(ctx, tx, r.GetCommandId(), c)
}

func correctOutcome(ctx context.Context, tx Tx, r *productionv1.CorrectRunRequest, a accepted) (proto.Message, []lot.Event, error) {
	c, err := correctionOf(r)
	if err != nil {
		return nil, nil, err
	}
	version, events, err := run.Corrected(ctx, tx, r.GetCommandId(), c, a.set)
	return &productionv1.CorrectRunResponse{Version: version}, events, err
}
