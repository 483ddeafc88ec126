package webtest

import (
	"testing"

	"fairbore/daemon/daemontest"
)

func TestMain(m *testing.M) { daemontest.Main(m) }
