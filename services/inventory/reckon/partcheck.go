package reckon

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// leastPrefix is the shortest company prefix that GS1 gives out, in digits.
const leastPrefix = 4

// checkPart is the rule of a named check that a part of a value breaks, or nothing. A check that is not held here passes; GS1 says which.
func checkPart(name, part string) string {
	switch name {
	case "csum":
		if want := checkDigit(part[:len(part)-1]); part[len(part)-1] != want {
			return fmt.Sprintf("has check digit %c, it is %c", part[len(part)-1], want)
		}
	case "gcppos1":
		if len(part) < leastPrefix || !allDigits(part[:leastPrefix]) {
			return "does not begin with a company prefix"
		}
	case "yymmdd", "yymmd0", "yyyymmdd":
		return checkDay(part, name == "yymmd0")
	case "iso3166", "iso3166999", "iso3166alpha2":
		return checkCountry(name, part)
	case "pcenc":
		return checkPercentCoding(part)
	case "pieceoftotal":
		if part[:2] == "00" || part[2:] == "00" || part[:2] > part[2:] {
			return fmt.Sprintf("is piece %s of %s", part[:2], part[2:])
		}
	}
	if rule := checkRange(name, part); rule != "" {
		return rule
	}
	return checkWord(name, part)
}

// checkDigit is the last digit of a numeric key: from the right, weights 3, 1, 3 …; what the sum lacks to the next ten.
func checkDigit(digits string) byte {
	sum := 0
	for i := range len(digits) {
		weight := 1
		if (len(digits)-i)%2 == 1 {
			weight = 3
		}
		sum += weight * int(digits[i]-'0')
	}
	return byte('0' + (10-sum%10)%10)
}

func allDigits(s string) bool { return strings.Trim(s, alphabetDigits) == "" }

// checkDay takes a day with or without its century. The century of two digits depends on the day of reading and changes no rule but that of
// 29 February, where every fourth year is long, 2000 too. Day 00 is the end of the month where it is allowed.
func checkDay(part string, endOfMonth bool) string {
	year, _ := strconv.Atoi(part[:len(part)-4])
	month, _ := strconv.Atoi(part[len(part)-4 : len(part)-2])
	day, _ := strconv.Atoi(part[len(part)-2:])
	if month < 1 || month > 12 {
		return fmt.Sprintf("has month %02d", month)
	}
	long := year%4 == 0 && (len(part) == 6 || year%100 != 0 || year%400 == 0)
	days := []int{31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}[month-1]
	if month == 2 && long {
		days = 29
	}
	if day > days || day == 0 && !endOfMonth {
		return fmt.Sprintf("has day %02d of month %02d", day, month)
	}
	return ""
}

func checkCountry(name, part string) string {
	if name == "iso3166999" && part == "999" {
		return ""
	}
	known := slices.ContainsFunc(strings.Fields(countryTable), func(code string) bool { return code[:2] == part || code[2:] == part })
	if !known {
		return fmt.Sprintf("has country %q, which ISO 3166 does not know", part)
	}
	return ""
}

func checkPercentCoding(part string) string {
	for i := range len(part) {
		if part[i] == '%' && (i+3 > len(part) || !hex(part[i+1]) || !hex(part[i+2])) {
			return "has a % without two hexadecimal digits"
		}
	}
	return ""
}

func hex(c byte) bool { return strings.IndexByte(hexDigits, upper(c)) >= 0 }

// checkRange holds the checks of a number in a range.
func checkRange(name, part string) string {
	type bounds struct {
		width       int
		least, most int64
	}
	ranges := map[string][]bounds{
		"hhmi":      {{2, 0, 23}, {2, 0, 59}},
		"hh":        {{2, 0, 23}},
		"mi":        {{2, 0, 59}},
		"ss":        {{2, 0, 59}},
		"yesno":     {{1, 0, 1}},
		"zero":      {{1, 0, 0}},
		"latitude":  {{10, 0, 1_800_000_000}},
		"longitude": {{10, 0, 3_600_000_000}},
	}
	for _, b := range ranges[name] {
		n, err := strconv.ParseInt(part[:min(b.width, len(part))], 10, 64)
		if err != nil || n < b.least || n > b.most {
			return fmt.Sprintf("has %s in a place for %d to %d", part[:min(b.width, len(part))], b.least, b.most)
		}
		part = part[min(b.width, len(part)):]
	}
	return ""
}

// checkWord holds the checks of single characters and of the look of a whole part.
func checkWord(name, part string) string {
	broken := map[string]bool{
		"nonzero":      strings.Trim(part, "0") == "",
		"nozeroprefix": len(part) > 1 && part[0] == '0',
		"hasnondigit":  allDigits(part),
		"hyphen":       strings.Trim(part, "-") != "",
		"winding":      !strings.Contains("019", part),
		"iso5218":      !strings.Contains("0129", part),
		"importeridx":  !strings.Contains(alphabet64[:len(alphabet64)-1], part),
		"mediatype":    part < "01" || part > "10" && part < "80",
	}
	if broken[name] {
		return fmt.Sprintf("has %q, which breaks the rule %s", part, name)
	}
	return ""
}
