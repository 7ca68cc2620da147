//go:build linux

package supervisor

import (
	"fmt"
	"net"
	"os"
	osexec "os/exec"
	"testing"
	"time"

	"assay/exec/wire"
)

// TestTokensOfOthers: what a process says counts for nothing that has learnt the token of
// another, also where it is heard first, and where nobody knows yet whose the token is.
func TestTokensOfOthers(t *testing.T) {
	for _, early := range []bool{false, true} {
		s, err := newListener()
		if err != nil {
			t.Fatal(err)
		}
		defer s.close()
		p := s.expect()
		if early {
			p.belongsTo(os.Getpid())
		}
		// The process that has the token, and one that it has forked, say something.
		script := `$s = stream_socket_client("unix://\0$argv[1]"); fwrite($s, "$argv[2]\n$argv[2] [\"last\",\"forged\"]\n"); echo fread($s, 1);`
		forger := osexec.Command("php", "-r", script, "--", s.name, p.token)
		if err := forger.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(200 * time.Millisecond) // long enough for it to be the first
		c, err := net.Dial("unix", "@"+s.name)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(c, "%s\n\n%[1]s [\"last\",\"own\"]\n", p.token)
		p.belongsTo(os.Getpid())
		heard := func() string {
			select {
			case m := <-p.messages:
				return m.Text(0)
			case <-time.After(time.Minute):
				return "nothing"
			}
		}
		if got := heard(); got != "own" {
			t.Errorf("heard %s", got)
		}
		// It was told off, and has ended.
		if err := forger.Wait(); err != nil {
			t.Error(err)
		}
		c.Close()
		<-p.closed
		if n := len(p.messages); n > 0 {
			t.Errorf("%d more messages: %v", n, []wire.Message{<-p.messages})
		}
	}
}
