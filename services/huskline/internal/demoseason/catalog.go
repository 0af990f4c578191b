package demoseason

import "huskline/internal/money"

// cropYear is the year the nuts grew; the season runs from its October to the next January.
const cropYear = 2025

// dollars is a price from cents.
func dollars(cents int64) money.Price { return money.Price(cents) * 10_000 }

// nuts are the items of the nut side of the plant. Split-off prices are invented around published ones: junior mammoth halves at
// 4.57 per lb in a May 2024 market note, pieces a little below halves.
func nuts() []item {
	tree := "tree nut"
	return []item{
		{"IN-IMP", "in-shell pecans, improved", "in_shell", 0, 0, tree},
		{"IN-NAT", "in-shell pecans, native", "in_shell", 0, 0, tree},
		{"CL-L", "cleaned in-shell, size L", "in_shell", dollars(245), 0, tree},
		{"CL-M", "cleaned in-shell, size M", "in_shell", dollars(215), 0, tree},
		{"CL-S", "cleaned in-shell, size S", "in_shell", dollars(180), 0, tree},
		{"PH-MAM", "pecan halves, mammoth", "kernel", dollars(520), 0, tree},
		{"PH-JMB", "pecan halves, jumbo", "kernel", dollars(470), 0, tree},
		{"PH-LRG", "pecan halves, large", "kernel", dollars(445), 0, tree},
		{"PP-LRG", "pecan pieces, large", "kernel", dollars(415), 0, tree},
		{"PP-MED", "pecan pieces, medium", "kernel", dollars(395), 0, tree},
		{"PP-SML", "pecan pieces, small", "kernel", dollars(360), 0, tree},
		{"PP-GRN", "pecan granules", "kernel", dollars(290), 0, tree},
		{"SHELL", "shells for mulch", "byproduct", dollars(3), 0, tree},
		{"OILSTK", "oil stock", "byproduct", dollars(40), 0, tree},
		{"TRASH", "leaves, sticks, stones", "waste", 0, 0, ""},
		{"SCRAP", "kitchen waste", "waste", 0, 0, tree},
	}
}

// ingredient is a thing bought for the kitchen; cents is what a pound costs, about.
type ingredient struct {
	id, name, allergens, packaging string
	cents                          int64
}

func ingredients() []ingredient {
	return []ingredient{
		{"SUGAR", "cane sugar", "", "50 lb bag", 62},
		{"BRNSUG", "brown sugar", "", "50 lb bag", 71},
		{"BUTTER", "butter", "milk", "36 lb case", 305},
		{"CREAM", "cream", "milk", "40 lb pail", 172},
		{"GLUCOSE", "glucose syrup", "", "55 gal drum", 74},
		{"HONEY", "honey", "", "60 lb pail", 265},
		{"MAPLE", "maple syrup", "", "40 lb jug", 415},
		{"CHOC-DK", "dark chocolate", "soy", "50 lb case", 395},
		{"CHOC-MK", "milk chocolate", "milk;soy", "50 lb case", 380},
		{"COCOA", "cocoa powder", "", "50 lb bag", 340},
		{"EGGWHITE", "dried egg white", "egg", "25 lb box", 790},
		{"FLOUR", "wheat flour", "wheat", "50 lb bag", 38},
		{"OATS", "rolled oats", "", "50 lb bag", 61},
		{"COCONUT", "shredded coconut", "tree nut", "25 lb box", 225},
		{"SALT", "fine salt", "", "50 lb bag", 14},
		{"SPICE", "cinnamon and chili blend", "", "25 lb box", 640},
		{"VANILLA", "vanilla extract", "", "1 gal jug", 2850},
		{"OIL", "sunflower oil", "", "35 lb pail", 116},
	}
}

// recipe is a confection: the share of pecans and of each ingredient in what goes in, in thousandths, and the package it is sold in.
type recipe struct {
	id, name  string
	unit      int64 // thousandths of a pound
	nut       string
	nutParts  int64
	parts     []part
	allergens string
	cents     int64 // what a pound sells for by mail
}

type part struct {
	item  string
	parts int64
}

// confections are the recipes of the kitchen, invented; the proportions are common practice, no source.
func confections() []recipe {
	return []recipe{
		{"CF-PRL", "creamy praline", 300, "PH-LRG", 340, []part{{"SUGAR", 330}, {"CREAM", 200}, {"BUTTER", 120}, {"VANILLA", 10}}, "milk;tree nut", 1450},
		{"CF-DIV", "divinity", 500, "PP-LRG", 220, []part{{"SUGAR", 480}, {"GLUCOSE", 240}, {"EGGWHITE", 60}}, "egg;tree nut", 1280},
		{"CF-BRT", "brittle", 500, "PP-LRG", 400, []part{{"SUGAR", 360}, {"GLUCOSE", 170}, {"BUTTER", 60}, {"SALT", 10}}, "milk;tree nut", 1180},
		{"CF-MAP", "maple-glazed halves", 250, "PH-JMB", 700, []part{{"MAPLE", 250}, {"BUTTER", 50}}, "milk;tree nut", 1790},
		{"CF-SEA", "roasted salted halves", 500, "PH-JMB", 960, []part{{"OIL", 25}, {"SALT", 15}}, "tree nut", 1690},
		{"CF-CIN", "cinnamon sugar halves", 500, "PH-LRG", 720, []part{{"SUGAR", 230}, {"EGGWHITE", 30}, {"SPICE", 20}}, "egg;tree nut", 1650},
		{"CF-HOT", "smoky chili halves", 250, "PH-LRG", 900, []part{{"OIL", 40}, {"SPICE", 40}, {"SALT", 20}}, "tree nut", 1720},
		{"CF-DCC", "dark chocolate clusters", 500, "PP-LRG", 450, []part{{"CHOC-DK", 540}, {"SALT", 10}}, "soy;tree nut", 1840},
		{"CF-MCC", "milk chocolate clusters", 500, "PP-LRG", 450, []part{{"CHOC-MK", 550}}, "milk;soy;tree nut", 1820},
		{"CF-COC", "cocoa-dusted halves", 250, "PH-MAM", 600, []part{{"CHOC-DK", 330}, {"COCOA", 70}}, "soy;tree nut", 2050},
		{"CF-SPR", "pecan butter, smooth", 1000, "PP-SML", 970, []part{{"OIL", 20}, {"SALT", 10}}, "tree nut", 1390},
		{"CF-CRU", "pecan butter, crunchy", 1000, "PP-MED", 970, []part{{"OIL", 20}, {"SALT", 10}}, "tree nut", 1390},
		{"CF-BAR", "oat and pecan bar", 375, "PP-MED", 300, []part{{"OATS", 380}, {"HONEY", 200}, {"BUTTER", 120}}, "milk;tree nut", 1120},
		{"CF-TOF", "butter toffee", 500, "PP-MED", 250, []part{{"BUTTER", 350}, {"SUGAR", 340}, {"CHOC-MK", 60}}, "milk;soy;tree nut", 1740},
		{"CF-FDG", "pecan fudge", 1000, "PP-MED", 180, []part{{"SUGAR", 400}, {"CREAM", 230}, {"CHOC-DK", 190}}, "milk;soy;tree nut", 1290},
		{"CF-SAN", "pecan shortbread", 375, "PP-SML", 240, []part{{"FLOUR", 390}, {"BUTTER", 240}, {"SUGAR", 130}}, "milk;tree nut;wheat", 1090},
		{"CF-NGT", "honey nougat", 500, "PH-LRG", 320, []part{{"HONEY", 300}, {"SUGAR", 310}, {"EGGWHITE", 70}}, "egg;tree nut", 1560},
		{"CF-LOG", "caramel log", 750, "PP-LRG", 350, []part{{"GLUCOSE", 280}, {"CREAM", 220}, {"BRNSUG", 150}}, "milk;tree nut", 1380},
		{"CF-GRA", "pecan granola", 1000, "PP-MED", 220, []part{{"OATS", 490}, {"HONEY", 170}, {"COCONUT", 80}, {"OIL", 40}}, "tree nut", 890},
		{"CF-PIE", "pie filling", 1500, "PP-LRG", 330, []part{{"GLUCOSE", 330}, {"BRNSUG", 220}, {"BUTTER", 110}, {"VANILLA", 10}}, "milk;tree nut", 840},
	}
}

// packs are finished items made by packing, not by a recipe of the kitchen.
func packs() []recipe {
	return []recipe{
		{"BG-HLV", "halves, one-pound bag", 1000, "PH-JMB", 1000, nil, "tree nut", 1290},
		{"BG-PCS", "baking pieces, one-pound bag", 1000, "PP-MED", 1000, nil, "tree nut", 1080},
		{"GF-TIN", "gift tin, three kinds", 2250, "", 0, nil, "egg;milk;soy;tree nut;wheat", 1980},
	}
}

// cultivar is a named variety of improved pecan with the kernel share and count that growers expect of it, about: published turnouts lie
// between 49 and 58 percent.
type cultivar struct {
	name         string
	kernel       int64 // percent, middle of the range
	nutsPerPound int64
}

func cultivars() []cultivar {
	return []cultivar{{"Pawnee", 56, 56}, {"Western", 55, 64}, {"Wichita", 58, 62}, {"Desirable", 53, 52}, {"Stuart", 48, 54}}
}

// words are the parts that invented names, addresses and carriers are put together from.
type words struct {
	groves, waters, farms, shops, trades, households, roads, towns, haulers, parcels []string
}

func invented() words {
	return words{
		groves: []string{
			"Tanglefoot", "Marrowby", "Quillfeather", "Ottersedge", "Bramblecote", "Sallowfield", "Wickenfold",
			"Dunmarrow", "Fennimoor", "Larkmeadow", "Thornaby", "Pellamere",
		},
		waters: []string{"Bend", "Fork", "Bottom", "Ridge", "Slough", "Flat", "Rise"},
		farms:  []string{"Grove", "Orchard", "Pecans", "Farm"},
		shops: []string{
			"Lanternlight", "Copperkettle", "Bluebonnet Lane", "Old Ferry", "Millstone", "Weathervane", "Candlewick",
			"Saltmarsh", "Juniper Court", "Foxglove",
		},
		trades: []string{"Bakery", "Sweet Shop", "Market", "Tea Room", "Pantry", "Gift House", "Creamery"},
		households: []string{
			"Abbleworth", "Brindlecomb", "Cattermoss", "Dappleway", "Eversloe", "Fairwhistle", "Gablethorn", "Hobblestone",
			"Inklemire", "Jessamore", "Knapwillow", "Loamsworth", "Mossgrove", "Nettlecroft", "Oakenbury", "Pipplewhite",
			"Quenby-Rowe", "Rushmantle", "Sedgewater", "Tattersby",
		},
		roads: []string{
			"Gin Road", "Levee Lane", "Switchback Street", "Old Scale Road", "Cotton Row", "Mill Pond Drive",
			"Windrow Way",
		},
		towns:   []string{"Tindle Crossing", "Marrow Springs", "Ottersedge", "Fennimoor", "Little Sallow", "Wickenfold Junction"},
		haulers: []string{"Longstride Freight", "Two Rivers Cartage", "Bellwether Lines"},
		parcels: []string{"Swiftfox Parcel", "Doorstep Post"},
	}
}
