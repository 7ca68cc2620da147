package exec

import (
	"os"
	"testing"

	"assay/exec/sandbox"
	"assay/exec/sandbox/sandboxtest"
)

func TestMain(m *testing.M) {
	sandboxtest.EnterContainer()
	sandbox.Main() // a supervisor of an engine under test is this binary, too
	os.Exit(m.Run())
}
