package exec

import (
	"os"
	"testing"

	"assay/exec/sandbox"
)

func TestMain(m *testing.M) {
	sandbox.Main() // a supervisor of an engine under test is this binary, too
	os.Exit(m.Run())
}
