package production_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

func BenchmarkRecordRun(b *testing.B) {
	p := stocked(b)
	for i := 0; b.Loop(); i++ {
		req := shelling(fmt.Sprintf("R-%d", i))
		for _, out := range req.Run.Outputs {
			out.Lot = fmt.Sprintf("%s-%d", out.Lot, i)
		}
		_, err := p.client.RecordRun(b.Context(), req)
		require.NoError(b, err)
	}
}
