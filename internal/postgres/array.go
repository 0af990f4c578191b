package postgres

import "strings"

// TextArray is the text of an array of texts, for statements that take many arrays of unequal length, since the lines of an array of arrays must not
// differ in length.
func TextArray[S ~string](in []S) string {
	escape := strings.NewReplacer(`\`, `\\`, `"`, `\"`)
	quoted := make([]string, len(in))
	for i, s := range in {
		quoted[i] = `"` + escape.Replace(string(s)) + `"`
	}
	return "{" + strings.Join(quoted, ",") + "}"
}
