package access

import "slices"

// The groups that most reads are open to: everybody who works with stock, and whoever looks but does not touch.
var (
	readers = []Role{Receiver, Grader, Buyer, Payer, StockClerk, Operator, Quality, Shipper, Accountant, Auditor, Administrator}
	feed    = []Role{Peer, Auditor, Administrator}
	books   = []Role{Accountant, Auditor, Administrator}
)

const (
	intake     = "/huskline.intake.v1.IntakeService/"
	visits     = "/huskline.intake.v1.VisitService/"
	inventory  = "/huskline.inventory.v1.InventoryService/"
	production = "/huskline.production.v1.ProductionService/"
)

// table is method -> roles. A method that is missing here is open to nobody; a test walks every method of the contracts.
var table = merge(intakeTable(), checkTable(), visitTable(), inventoryTable(), productionTable(), shared(intake), shared(inventory), shared(production))

func intakeTable() map[string][]Role {
	return map[string][]Role{
		intake + "RegisterParty":         {Receiver, Buyer, Shipper, Administrator},
		intake + "ListParties":           readers,
		intake + "RegisterItem":          {Accountant, Administrator},
		intake + "ListItems":             readers,
		intake + "RegisterScale":         {Administrator},
		intake + "ListScales":            append([]Role{WeighPost}, readers...),
		intake + "ListWeighingRules":     append([]Role{WeighPost}, readers...),
		intake + "PostReadings":          {WeighPost, Administrator},
		intake + "StreamReadings":        {WeighPost, Administrator},
		intake + "ListReadings":          append([]Role{WeighPost}, readers...),
		intake + "ListDiscardedReadings": append([]Role{WeighPost}, readers...),
		intake + "WatchReadings":         append([]Role{WeighPost}, readers...),
		intake + "GetFeedTotals":         append([]Role{WeighPost}, readers...),
		intake + "RecordDelivery":        {Receiver, Administrator},
		intake + "CorrectDelivery":       {Receiver, Administrator},
		intake + "VoidDelivery":          {Receiver, Administrator},
		intake + "ReceiveIngredient":     {Receiver, StockClerk, Administrator},
		intake + "SettlePrice":           {Buyer, Payer, Administrator},
		intake + "BuyLot":                {Buyer, Administrator},
		intake + "GetDelivery":           readers,
		intake + "ListDeliveries":        readers,
	}
}

// visitTable: whoever weighs is a receiver; how long a tare holds is for the administrator to say.
func visitTable() map[string][]Role {
	return map[string][]Role{
		visits + "RegisterVehicle": {Administrator},
		visits + "ProposeVisit":    readers,
		visits + "WeighVehicle":    {Receiver, Administrator},
		visits + "CloseVisit":      {Receiver, Administrator},
		visits + "StoreTare":       {Receiver, Administrator},
		visits + "GetVisit":        readers,
		visits + "ListVisits":      readers,

		visits + "KeyWeight":        {Receiver, Administrator},
		visits + "MatchWeight":      {Receiver, Administrator},
		visits + "ListKeyedWeights": readers,
		visits + "IssueTicket":      {Receiver, Administrator},
		visits + "VoidTicket":       {Receiver, Administrator},
		visits + "ReprintTicket":    {Receiver, Administrator},
		visits + "GetTicket":        readers,
		visits + "ListTickets":      readers,
	}
}

// checkTable is the checks of scales with test weights, and what failed ones put in doubt.
func checkTable() map[string][]Role {
	return map[string][]Role{
		intake + "RecordScaleCheck":         {Receiver, Quality, Administrator},
		intake + "ListScaleChecks":          readers,
		intake + "ListCorrectionProposals":  readers,
		intake + "ListProposalDeliveries":   readers,
		intake + "ListProposalReadings":     readers,
		intake + "DecideCorrectionProposal": {Receiver, Quality, Administrator},
		intake + "DiscardReading":           {Receiver, Quality, Administrator},
	}
}

func inventoryTable() map[string][]Role {
	return map[string][]Role{
		inventory + "ClaimLots":         {Peer, Receiver, StockClerk, Operator, Administrator},
		inventory + "PostMovement":      {Peer},
		inventory + "RegisterPlace":     {StockClerk, Administrator},
		inventory + "ListPlaces":        readers,
		inventory + "RegisterReason":    {Accountant, Administrator},
		inventory + "RecordPour":        {Receiver, StockClerk, Administrator},
		inventory + "EmptyBin":          {StockClerk, Operator, Administrator},
		inventory + "AdjustLot":         {StockClerk, Administrator},
		inventory + "MoveLot":           {StockClerk, Operator, Shipper, Administrator},
		inventory + "ShipGoods":         {Shipper, Administrator},
		inventory + "ReturnGoods":       {Shipper, StockClerk, Quality, Administrator},
		inventory + "OpenCount":         {StockClerk, Administrator},
		inventory + "RecordCount":       {StockClerk, Operator, Administrator},
		inventory + "CloseCount":        {StockClerk, Administrator},
		inventory + "PlaceHold":         {Quality, Administrator},
		inventory + "ExcludeFromHold":   {Quality, Administrator},
		inventory + "DecideDisposition": {Quality, Administrator},
		inventory + "ReleaseHold":       {Quality, Administrator},
		inventory + "ListHolds":         readers,
		inventory + "GetLot":            append([]Role{Peer}, readers...),
		inventory + "ListLots":          readers,
		inventory + "WatchBalances":     append([]Role{Peer}, readers...),
		inventory + "Drill":             readers,
		inventory + "Origins":           readers,
	}
}

func productionTable() map[string][]Role {
	return map[string][]Role{
		production + "RegisterStage": {Operator, Accountant, Administrator},
		production + "ListStages":    readers,
		production + "OpenRun":       {Operator, Administrator},
		production + "DumpInput":     {Operator, Administrator},
		production + "FillOutput":    {Operator, Administrator},
		production + "CompleteRun":   {Operator, Administrator},
		production + "RecordRun":     {Operator, Administrator},
		production + "CorrectRun":    {Operator, Accountant, Administrator},
		production + "PostCharge":    {Accountant, Operator, Administrator},
		production + "GetRun":        readers,
		production + "ListRuns":      readers,
		production + "WatchRuns":     readers,
		production + "GetRunCost":    books,
		production + "GetLotCost":    books,
		production + "GetBalance":    books,
	}
}

// shared is what every service offers: its events to the others, its quarantine and tokens to the administrator.
func shared(service string) map[string][]Role {
	return map[string][]Role{
		service + "ReadEvents":      feed,
		service + "ReadKept":        {Peer, Administrator},
		service + "GetHead":         feed,
		service + "ListQuarantine":  {Quality, Auditor, Administrator},
		service + "RetryQuarantine": {Administrator},
		service + "IssueToken":      {Administrator},
		service + "ListTokens":      {Auditor, Administrator},
		service + "RevokeToken":     {Administrator},
	}
}

func merge(tables ...map[string][]Role) map[string][]Role {
	out := map[string][]Role{}
	for _, t := range tables {
		for method, roles := range t {
			out[method] = slices.Clone(roles)
		}
	}
	return out
}
