package reckon

import "huskline/internal/exact"

// The pounds that break-even rates are per, from the scale to the kernel.
const (
	Delivered = "delivered"
	Clean     = "clean"  // delivered x the first yield
	Kernel    = "kernel" // delivered x all yields
)

// BreakEvenInput is what a delivered pound becomes, what that sells for and what it costs to get there.
type BreakEvenInput struct {
	Yields              []exact.Number    `json:"yields"` // percent, from delivered down to kernel
	Products            []KernelProduct   `json:"products"`
	SellingDeductionPct *exact.Number     `json:"selling_deduction_pct,omitempty"` // of product sales
	ByProducts          []YieldBy         `json:"by_products,omitempty"`
	Costs               []ProcessingPrice `json:"costs,omitempty"`
	MarginPct           *exact.Number     `json:"margin_pct,omitempty"` // of product sales
}

// KernelProduct is a part of the kernel and its price per pound; the shares sum to 100.
type KernelProduct struct {
	Name     string       `json:"name"`
	SharePct exact.Number `json:"share_pct"`
	Price    exact.Number `json:"price"`
}

// YieldBy is a by-product, Pct of the pounds that PctOf names.
type YieldBy struct {
	Name  string       `json:"name"`
	PctOf string       `json:"pct_of"`
	Pct   exact.Number `json:"pct"`
	Price exact.Number `json:"price"`
}

// ProcessingPrice is a cost per pound of its base.
type ProcessingPrice struct {
	Name string       `json:"name"`
	Rate exact.Number `json:"rate"`
	Base string       `json:"base"`
}

// BreakEvenOutput is per pound; the sales leave out by-products. A price below zero says that the work costs more than the nuts bring.
type BreakEvenOutput struct {
	SalesPerDelivered    exact.Decimal `json:"sales_per_delivered"`
	MaxPricePerDelivered exact.Decimal `json:"max_price_per_delivered"`
	MaxPricePerKernel    exact.Decimal `json:"max_price_per_kernel"`
}

// BreakEven is the most that a buyer can pay: sales less deductions and margin (both on gross product sales), plus by-products, less costs.
func BreakEven(in BreakEvenInput) (BreakEvenOutput, error) {
	if err := in.check(); err != nil {
		return BreakEvenOutput{}, err
	}
	pounds := in.pounds()
	kernel := pounds[Kernel]
	sales := exact.Number{}
	for _, p := range in.Products {
		sales = sales.Add(kernel.Mul(p.SharePct.Pct()).Mul(p.Price))
	}
	price := sales.Sub(sales.Mul(exact.Or(in.SellingDeductionPct).Add(exact.Or(in.MarginPct)).Pct()))
	for _, b := range in.ByProducts {
		price = price.Add(pounds[b.PctOf].Mul(b.Pct.Pct()).Mul(b.Price))
	}
	for _, c := range in.Costs {
		price = price.Sub(pounds[c.Base].Mul(c.Rate))
	}
	return BreakEvenOutput{sales.Ratio(), price.Ratio(), price.Quo(kernel).Ratio()}, nil
}

// pounds are what is left of one delivered pound; with one yield clean and kernel are the same.
func (in BreakEvenInput) pounds() map[string]exact.Number {
	kernel := exact.Int(1)
	for _, y := range in.Yields {
		kernel = kernel.Mul(y.Pct())
	}
	return map[string]exact.Number{Delivered: exact.Int(1), Clean: in.Yields[0].Pct(), Kernel: kernel}
}

func (in BreakEvenInput) check() error {
	if len(in.Yields) == 0 {
		return exact.Refuse("yields", "the list is empty")
	}
	for i, y := range in.Yields {
		if err := exact.First(exact.Positive(exact.At("yields", i, ""), y), exact.Percentage(exact.At("yields", i, ""), y)); err != nil {
			return err
		}
	}
	var shares []exact.Number
	for i, p := range in.Products {
		shares = append(shares, p.SharePct)
		if err := exact.First(
			exact.Percentage(exact.At("products", i, "share_pct"), p.SharePct),
			exact.NotNegative(exact.At("products", i, "price"), p.Price),
		); err != nil {
			return err
		}
	}
	for i, b := range in.ByProducts {
		if err := exact.First(
			exact.OneOf(exact.At("by_products", i, "pct_of"), b.PctOf, Delivered, Clean, Kernel),
			exact.NotNegative(exact.At("by_products", i, "pct"), b.Pct),
		); err != nil {
			return err
		}
	}
	for i, c := range in.Costs {
		if err := exact.OneOf(exact.At("costs", i, "base"), c.Base, Delivered, Clean, Kernel); err != nil {
			return err
		}
	}
	return exact.First(
		exact.AddsToHundred("products", shares...),
		exact.Percentage("selling_deduction_pct", exact.Or(in.SellingDeductionPct)),
		exact.Percentage("margin_pct", exact.Or(in.MarginPct)),
	)
}

// PointPriceInput is a percent kernel and one of the two prices.
type PointPriceInput struct {
	KernelPct           exact.Number  `json:"kernel_pct"`
	PricePerKernelLb    *exact.Number `json:"price_per_kernel_lb,omitempty"`
	PricePerDeliveredLb *exact.Number `json:"price_per_delivered_lb,omitempty"`
}

// PointPriceOutput is both prices.
type PointPriceOutput struct {
	PricePerKernelLb    exact.Decimal `json:"price_per_kernel_lb"`
	PricePerDeliveredLb exact.Decimal `json:"price_per_delivered_lb"`
}

// PointPrice turns a price per pound of kernel into one per pound delivered, or back: delivered = kernel fraction x kernel price
// (New Mexico State University Guide Z-304).
func PointPrice(in PointPriceInput) (PointPriceOutput, error) {
	if err := exact.First(exact.Positive("kernel_pct", in.KernelPct), exact.Percentage("kernel_pct", in.KernelPct)); err != nil {
		return PointPriceOutput{}, err
	}
	fraction := in.KernelPct.Pct()
	switch kernel, delivered := in.PricePerKernelLb, in.PricePerDeliveredLb; {
	case kernel != nil && delivered != nil:
		return PointPriceOutput{}, exact.Refuse("price_per_delivered_lb", "price_per_kernel_lb is there too: give one of them")
	case kernel != nil:
		return PointPriceOutput{kernel.Ratio(), kernel.Mul(fraction).Ratio()}, exact.NotNegative("price_per_kernel_lb", *kernel)
	default:
		if err := exact.Given("price_per_kernel_lb", delivered, "give it or price_per_delivered_lb"); err != nil {
			return PointPriceOutput{}, err
		}
		return PointPriceOutput{delivered.Quo(fraction).Ratio(), delivered.Ratio()}, exact.NotNegative("price_per_delivered_lb", *delivered)
	}
}
