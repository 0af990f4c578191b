package ticket

import (
	"fmt"
	"strings"
	"time"

	"huskline/internal/lot"
	"huskline/internal/weight"
)

// Supports stands on every ticket.
const Supports = "Huskline supports the sealed scale and the licensed weighmaster\nand replaces neither."

// Text is the ticket as it is printed, with all that became of it. Weights are in pounds to the last digit, so that gross less tare is net on the
// paper too; what a scale showed stands beside it.
func (s State) Text() string {
	var b strings.Builder
	line := func(label, format string, args ...any) {
		fmt.Fprintf(&b, "%-11s%s\n", label, oneLine(fmt.Sprintf(format, args...)))
	}
	fmt.Fprintf(&b, "WEIGH TICKET %s-%06d\n", s.Series, s.Number)
	if end := s.Ended(); end != nil {
		line(strings.ToUpper(word(end.Mark)), "%s, by %s: %s", stamp(end.At), end.By, end.Reason)
	}
	for _, f := range s.Fates {
		if f.Mark == lot.TicketReprinted {
			line("REPRINT", "%d, %s, by %s: %s", f.Count, stamp(f.At), f.By, f.Reason)
		}
	}
	b.WriteString("\n")
	line("Date", "%s", stamp(s.Issued))
	if s.Place != "" {
		line("Place", "%s", s.Place)
	}
	s.goods(line)
	line("Plate", "%s, visit %d, line %d", s.Plate, s.Visit, s.Line)
	b.WriteString("\n")
	side(s.Gross).print(&b, "Gross")
	side(s.Tare).print(&b, "Tare")
	fmt.Fprintf(&b, "%-11s%14s lb\n", "Net", s.Net.Decimal(0))
	if s.MoisturePPM >= 0 {
		line("Moisture", "%s %%", weight.FormatDecimal(s.MoisturePPM, 4, 1))
	}
	if s.Gross.Draft == lot.EndsDraft || s.Tare.Draft == lot.EndsDraft {
		b.WriteString("Weighed one end after the other: this weight prices no purchase.\n")
	}
	if s.Gross.DriverOn != s.Tare.DriverOn {
		b.WriteString("The driver was on for one weighing and off for the other.\n")
	}
	fmt.Fprintf(&b, "\nWeigher    %s\nSignature  ______________________________\n\n%s\n", oneLine(s.Weigher), Supports)
	return b.String()
}

// goods prints whose goods were weighed, and what they are.
func (s State) goods(line func(label, format string, args ...any)) {
	if s.Outbound {
		line("Consignee", "%s (%s)", s.PartyName, s.Party)
	} else {
		line("Consignor", "%s (%s)", s.PartyName, s.Party)
	}
	commodity := fmt.Sprintf("%s (%s)", s.ItemName, s.Item)
	if s.Variety != "" {
		commodity += ", " + s.Variety
	}
	line("Commodity", "%s", commodity)
	if s.Lot != "" {
		line("Lot", "%s", s.Lot)
	}
	direction := "inbound"
	if s.Outbound {
		direction = "outbound"
	}
	line("Transport", "vehicle, %s", direction)
	if s.Replaces != 0 {
		line("Replaces", "ticket %s-%06d", s.Series, s.Replaces)
	}
}

// side prints one of the two weights.
type side lot.TicketWeight

func (w side) print(b *strings.Builder, label string) {
	fmt.Fprintf(b, "%-11s%14s lb\n", label, w.Mass.Decimal(0))
	for _, i := range w.Indications {
		source := fmt.Sprintf("scale %s, number %d", i.Scale, i.Sequence)
		switch {
		case i.Keyed != 0:
			source = fmt.Sprintf("scale %s, KEYED %d", i.Scale, i.Keyed)
		case i.Scale == "":
			source = "KEYED TARE"
		}
		fmt.Fprintf(b, "  %s, %s %s, %s\n", stamp(i.Time), i.Digits, i.Unit, source)
	}
	driver := "driver off"
	if w.DriverOn {
		driver = "driver on"
	}
	fmt.Fprintf(b, "  %s, %s, weighed by %s\n", w.Draft, driver, oneLine(w.Weigher))
	if w.Tare != 0 {
		fmt.Fprintf(b, "  STORED TARE %d\n", w.Tare)
	}
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05 UTC") }

// oneLine keeps a text from looking like another line of the ticket.
func oneLine(text string) string { return strings.ReplaceAll(text, "\n", " ") }
