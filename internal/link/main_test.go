package link_test

import (
	"testing"

	"huskline/internal/dbtest"
)

func TestMain(m *testing.M) { dbtest.Main(m) }
