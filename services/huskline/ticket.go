package main

import (
	"encoding/json"
	"fmt"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protojson"

	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
)

type ticketCmd struct {
	Number  int64  `arg:"" help:"Number of the ticket."`
	Series  string `default:"W" help:"Series of its number."`
	Reprint string `placeholder:"REASON" help:"Record that the ticket is printed again, and why; the text says so."`
}

// ticketObject is a ticket as programs read it.
type ticketObject struct {
	Text   string          `json:"text"`
	Ticket json.RawMessage `json:"ticket"`
}

// Run prints a weigh ticket with all that became of it.
func (c *ticketCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	if c.Reprint != "" {
		_, err := p.visits.ReprintTicket(s.ctx, &intakev1.ReprintTicketRequest{CommandId: uuid.NewString(), Series: c.Series, Number: c.Number, Reason: c.Reprint})
		if err != nil {
			return rpc.FromStatus(err)
		}
	}
	t, err := p.visits.GetTicket(s.ctx, &intakev1.GetTicketRequest{Series: c.Series, Number: c.Number})
	if err != nil {
		return rpc.FromStatus(err)
	}
	if s.cli.Format != "json" {
		_, err := fmt.Fprint(s.out, t.GetText())
		return err
	}
	whole, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(t.GetTicket())
	if err != nil {
		return err
	}
	return s.print(answer{object: ticketObject{t.GetText(), whole}})
}
