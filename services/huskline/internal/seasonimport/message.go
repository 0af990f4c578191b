package seasonimport

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
	"huskline/services/huskline/internal/seasonfile"
)

var (
	partyRoles = map[lot.PartyRole]eventv1.PartyRole{
		lot.Seller:       eventv1.PartyRole_PARTY_ROLE_SELLER,
		lot.CustomClient: eventv1.PartyRole_PARTY_ROLE_CUSTOM_CLIENT,
		lot.Customer:     eventv1.PartyRole_PARTY_ROLE_CUSTOMER,
		lot.Supplier:     eventv1.PartyRole_PARTY_ROLE_SUPPLIER,
		lot.OwnOrchard:   eventv1.PartyRole_PARTY_ROLE_OWN_ORCHARD,
	}
	itemKinds = map[lot.ItemKind]eventv1.ItemKind{
		lot.InShell:       eventv1.ItemKind_ITEM_KIND_IN_SHELL,
		lot.Kernel:        eventv1.ItemKind_ITEM_KIND_KERNEL,
		lot.ByProductItem: eventv1.ItemKind_ITEM_KIND_BYPRODUCT,
		lot.WasteItem:     eventv1.ItemKind_ITEM_KIND_WASTE,
		lot.Ingredient:    eventv1.ItemKind_ITEM_KIND_INGREDIENT,
		lot.Finished:      eventv1.ItemKind_ITEM_KIND_FINISHED,
	}
	ownerships = map[lot.Ownership]eventv1.Ownership{
		lot.Company: eventv1.Ownership_OWNERSHIP_COMPANY,
		lot.Custom:  eventv1.Ownership_OWNERSHIP_CUSTOM,
	}
	outputRoles = map[lot.Role]eventv1.OutputRole{
		lot.Main:      eventv1.OutputRole_OUTPUT_ROLE_MAIN,
		lot.ByProduct: eventv1.OutputRole_OUTPUT_ROLE_BYPRODUCT,
		lot.Waste:     eventv1.OutputRole_OUTPUT_ROLE_WASTE,
	}
	readingKinds = map[string]intakev1.ReadingKind{
		seasonfile.KindGross: intakev1.ReadingKind_READING_KIND_GROSS,
		seasonfile.KindTare:  intakev1.ReadingKind_READING_KIND_TARE,
		seasonfile.KindNet:   intakev1.ReadingKind_READING_KIND_NET,
	}
)

// stamp is a time on the wire, absent where it is unknown.
func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// price is a price on the wire, absent where there is none.
func price(p *money.Price) *int64 {
	if p == nil {
		return nil
	}
	n := int64(*p)
	return &n
}

// known is parts per million on the wire, absent where they are below zero, which stands for unknown.
func known(ppm int64) *int64 {
	if ppm < 0 {
		return nil
	}
	return &ppm
}

// weighing is one side of a delivery; its digits are pounds.
func weighing(kind intakev1.ReadingKind, m weight.Mass) *intakev1.Weighing {
	return &intakev1.Weighing{Kind: kind, Digits: m.String(), Unit: string(weight.PoundUnit)}
}

func sample(s *lot.Sample) *eventv1.Sample {
	if s == nil {
		return nil
	}
	return &eventv1.Sample{
		MoisturePpm:      known(s.MoisturePPM),
		ForeignPpm:       known(s.ForeignPPM),
		SampleMilligrams: s.SampleMilligrams,
		KernelMilligrams: s.KernelMilligrams,
		RejectMilligrams: s.RejectMilligrams,
		NutsPerLb:        s.NutsPerPound,
	}
}

func reading(w seasonfile.Weighing) *intakev1.Reading {
	return &intakev1.Reading{
		Scale:     w.Scale,
		Sequence:  w.Seq,
		Time:      stamp(w.Time),
		Digits:    w.Reading,
		Unit:      string(w.Unit),
		Kind:      readingKinds[w.Kind],
		Reference: w.Reference,
	}
}
