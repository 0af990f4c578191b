package deploy

import (
	"testing"

	"huskline/internal/dbtest"
)

func TestMain(m *testing.M) { dbtest.Main(m) }
