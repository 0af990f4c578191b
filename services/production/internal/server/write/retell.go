package write

import (
	"google.golang.org/protobuf/proto"

	"huskline/internal/command"
	"huskline/internal/lot"
	productionv1 "huskline/proto/huskline/production/v1"
)

// Retell is the answer of a command again whose own row was lost when the database went back to an earlier moment, told by its events, which
// were taken back; nil where they do not tell it.
func Retell(req command.Request, events []lot.Recorded) proto.Message {
	for _, e := range events {
		switch b := e.Body.(type) {
		case lot.RunOpened:
			if _, ok := req.(*productionv1.OpenRunRequest); ok {
				return &productionv1.OpenRunResponse{Run: string(b.Run)}
			}
		case lot.RunCompleted:
			return completed(req, b)
		case lot.RunCorrected:
			if r, ok := req.(*productionv1.CorrectRunRequest); ok && r.GetRun().GetRun() == string(b.Completed.Run) {
				return &productionv1.CorrectRunResponse{Version: b.Completed.Version}
			}
		case lot.ChargePosted:
			if _, ok := req.(*productionv1.PostChargeRequest); ok {
				return &productionv1.PostChargeResponse{Charge: b.Charge, AmountMicros: int64(b.Amount)}
			}
		}
	}
	return nil
}

func completed(req command.Request, b lot.RunCompleted) proto.Message {
	switch req.(type) {
	case *productionv1.RecordRunRequest:
		return &productionv1.RecordRunResponse{
			Run: string(b.Run), InputMicropounds: int64(b.Input), OutputMicropounds: int64(b.Output), UnaccountedMicropounds: int64(b.Unaccounted),
		}
	case *productionv1.CompleteRunRequest:
		return &productionv1.CompleteRunResponse{
			InputMicropounds: int64(b.Input), OutputMicropounds: int64(b.Output), UnaccountedMicropounds: int64(b.Unaccounted),
		}
	}
	return nil
}
