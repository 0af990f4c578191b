package checker_test

import (
	"testing"

	"huskline/internal/planttest"
)

func TestMain(m *testing.M) { planttest.Main(m) }
