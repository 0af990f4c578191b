package lot

import (
	"strings"

	"huskline/internal/fault"
)

// crockford is Crockford's base 32: no I, L, O, U.
const crockford = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// mod37 is the alphabet of ISO/IEC 7064 MOD 37,36 (hybrid system): digits, then letters.
const mod37 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// codeLength is the producer's letter, two digits of the year, six of Crockford base 32, one check character.
const codeLength = 10

// NewCode builds the code of the n-th lot of a producer's year: letter, two-digit year, six of Crockford base 32, check character.
// letter is A to Z, n is below 32^6.
func NewCode(letter byte, year int, n int64) (ID, error) {
	if letter < 'A' || letter > 'Z' || n < 0 || n >= 1<<30 || year < 2000 || year > 2099 {
		return "", fault.Invalid("lot_code_out_of_range", "lot code %c%d/%d: letter A-Z, year 2000-2099, number below 2^30", letter, year, n)
	}
	body := []byte{letter, byte('0' + year/10%10), byte('0' + year%10)}
	for shift := 25; shift >= 0; shift -= 5 {
		body = append(body, crockford[n>>shift&31])
	}
	return ID(string(body) + string(checkCharacter(string(body)))), nil
}

// checkCharacter is the ISO/IEC 7064 MOD 37,36 check character of s.
func checkCharacter(s string) byte {
	p := 36
	for _, c := range []byte(s) {
		p += strings.IndexByte(mod37, c)
		if p > 36 {
			p -= 36
		}
		p = p * 2 % 37
	}
	return mod37[(37-p)%36]
}

// HasOurShape tells whether text looks like a code we give: letter, two digits, six of Crockford base 32, one check character.
func HasOurShape(text string) bool {
	if len(text) != codeLength || text[0] < 'A' || text[0] > 'Z' || strings.IndexByte(mod37, text[9]) < 0 {
		return false
	}
	for i, c := range []byte(text[1:9]) {
		if i < 2 && (c < '0' || c > '9') || strings.IndexByte(crockford, c) < 0 {
			return false
		}
	}
	return true
}

// maxCode bounds a code that came from elsewhere.
const maxCode = 64

// ParseID takes a lot code as it was given. A code of our shape must carry the right check character, so that a misread one is refused; any
// other is kept as it is, as long as it is 1 to 64 printable ASCII characters without blanks.
func ParseID(text string) (ID, error) {
	if text == "" || len(text) > maxCode {
		return "", fault.Invalid("lot_code_malformed", "lot code %q: %d characters, 1 to %d are allowed", text, len(text), maxCode)
	}
	for _, c := range []byte(text) {
		if c <= ' ' || c > '~' {
			return "", fault.Invalid("lot_code_malformed", "lot code %q: only printable ASCII characters without blanks are allowed", text)
		}
	}
	if HasOurShape(text) {
		if want := checkCharacter(text[:9]); text[9] != want {
			return "", fault.Invalid("lot_code_check", "lot code %q: check character %q is wrong, it should be %q: misread?", text, text[9], want)
		}
	}
	return ID(text), nil
}
