package rpc

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/grpc/metadata"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// ReceiptHeader is the metadata key of receipts that a call relies on: "producer/epoch/position", repeated.
const ReceiptHeader = "huskline-receipt"

// maxReceipts bounds how many receipts one call may carry.
const maxReceipts = 32

type receiptsKey struct{}

// ReceiptsOf is the receipts that the call relies on.
func ReceiptsOf(ctx context.Context) []lot.Receipt {
	r, _ := ctx.Value(receiptsKey{}).([]lot.Receipt)
	return r
}

// WithReceipts makes an outgoing call rely on receipts.
func WithReceipts(ctx context.Context, receipts ...lot.Receipt) context.Context {
	for _, r := range receipts {
		ctx = metadata.AppendToOutgoingContext(ctx, ReceiptHeader, FormatReceipt(r))
	}
	return ctx
}

// FormatReceipt prints a receipt as "producer/epoch/position".
func FormatReceipt(r lot.Receipt) string {
	return fmt.Sprintf("%s/%d/%d", r.Producer, r.Epoch, r.Position)
}

// ParseReceipt reads "producer/epoch/position".
func ParseReceipt(text string) (lot.Receipt, error) {
	parts := strings.Split(text, "/")
	if len(parts) == 3 && parts[0] != "" {
		epoch, err1 := strconv.ParseInt(parts[1], 10, 64)
		position, err2 := strconv.ParseInt(parts[2], 10, 64)
		if err1 == nil && err2 == nil && epoch >= 1 && position >= 0 {
			return lot.Receipt{Producer: lot.Producer(parts[0]), Epoch: epoch, Position: position}, nil
		}
	}
	return lot.Receipt{}, fault.Invalid("receipt_malformed", "receipt %q: it reads producer/epoch/position, such as intake/1/42", text)
}

func receiptsFrom(ctx context.Context) (context.Context, []lot.Receipt, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	texts := md.Get(ReceiptHeader)
	if len(texts) == 0 {
		return ctx, nil, nil
	}
	if len(texts) > maxReceipts {
		return ctx, nil, fault.Invalid("receipts_too_many", "receipts: %d, at most %d are allowed", len(texts), maxReceipts)
	}
	receipts := make([]lot.Receipt, 0, len(texts))
	for _, text := range texts {
		r, err := ParseReceipt(text)
		if err != nil {
			return ctx, nil, err
		}
		receipts = append(receipts, r)
	}
	return context.WithValue(ctx, receiptsKey{}, receipts), receipts, nil
}
