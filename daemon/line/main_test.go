package line_test

import (
	"testing"

	"fairbore/daemon/daemontest"
)

func TestMain(m *testing.M) { daemontest.Main(m) }
