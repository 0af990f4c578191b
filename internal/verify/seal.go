package verify

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"

	"huskline/internal/snapshot"
)

// sealColumn is the name of the column that holds a row's seal, in every table that has one.
const sealColumn = "seal"

// checkSeals reckons the seal of every row of every table that has seals.
func (j *judge) checkSeals(t *snapshot.Table) {
	at := t.Column(sealColumn)
	for _, row := range t.All() {
		j.rows++
		if row.Cells[at].Null {
			j.differ(row, sealColumn, "a seal", "none")
			continue
		}
		first := &row.Cells[0]
		if slices.Equal(j.memory.sound[first], row.Cells) {
			continue
		}
		if !sealed(row.Cells, at) {
			j.differ(row, sealColumn, "the row fits its seal", "the row was changed behind the service")
		} else if len(j.memory.sound) < maxRemembered {
			j.memory.sound[first] = slices.Clone(row.Cells)
		}
	}
}

// sealed tells whether a row fits its seal. The row may have been written before its last columns were added.
func sealed(cells []snapshot.Cell, at int) bool {
	for n := len(cells); n > at; n-- {
		sum := sha256.Sum256(recordText(cells[:n], at))
		if cells[at].Text == `\x`+hex.EncodeToString(sum[:]) {
			return true
		}
	}
	return false
}

// recordText is a row as Postgres prints it, with the seal left out.
func recordText(cells []snapshot.Cell, seal int) []byte {
	out := make([]byte, 0, 512)
	out = append(out, '(')
	for i, c := range cells {
		if i > 0 {
			out = append(out, ',')
		}
		if c.Null || i == seal {
			continue
		}
		if c.Text != "" && !strings.ContainsAny(c.Text, "\"\\(), \t\n\v\f\r") {
			out = append(out, c.Text...)
			continue
		}
		out = append(out, '"')
		for k := range len(c.Text) {
			if c.Text[k] == '"' || c.Text[k] == '\\' {
				out = append(out, c.Text[k])
			}
			out = append(out, c.Text[k])
		}
		out = append(out, '"')
	}
	return append(out, ')')
}
