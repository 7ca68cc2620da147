//go:build linux

package sandbox

import (
	"fmt"
	"net"
	"os"
	osexec "os/exec"
	"slices"
	"testing"
	"time"
)

// fixedPort listens at a port that the kernel does not choose by itself.
func fixedPort(t *testing.T) (net.Listener, uint16) {
	t.Helper()
	for port := 20000 + os.Getpid()%5000; port < 30000; port++ {
		if l, err := net.Listen("tcp4", fmt.Sprintf("127.0.0.1:%d", port)); err == nil {
			return l, uint16(port)
		}
	}
	t.Fatal("no port is free")
	return nil, 0
}

// TestListenWatch tells a server that came and went from those that were there
// before, and from ports that the kernel chose.
func TestListenWatch(t *testing.T) {
	before, machines := fixedPort(t)
	defer before.Close()
	w := WatchPorts(&View{})
	end := w.Watch(true)
	chosen, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server, port := fixedPort(t)
	for n := w.looks.Load(); w.looks.Load() < n+2; { // the second of them has begun since
		time.Sleep(lookPause)
	}
	server.Close()
	chosen.Close()
	ports := end()
	if !slices.Contains(ports, port) || slices.Contains(ports, machines) {
		t.Errorf("ports %d, want %d and not %d", ports, port, machines)
	}
	if p := uint16(chosen.Addr().(*net.TCPAddr).Port); slices.Contains(ports, p) {
		t.Errorf("ports %d, and the kernel chose %d", ports, p)
	}
	if ports := w.Watch(false)(); ports != nil {
		t.Errorf("not wanted, and yet ports %d", ports)
	}
	none := WatchPorts(&View{confinement: Confinement{Network: true}})
	if ports := none.Watch(true)(); ports != nil || none.Held() != nil {
		t.Errorf("in a network of its own: ports %d", ports)
	}
}

func init() {
	cases["listens"] = func(k insideT, _ string) {
		server := osexec.Command("/usr/bin/php", "-r", `
			for ($port = 30000; !($s = @stream_socket_server("tcp://127.0.0.1:$port")); $port--);
			echo "$port\n"; fgets(STDIN);`)
		in, err := server.StdinPipe()
		k.must(err)
		out, err := server.StdoutPipe()
		k.must(err)
		k.must(server.Start())
		var port uint16
		_, err = fmt.Fscanln(out, &port)
		k.must(err)
		w := WatchPorts(k.v)
		if held := w.Held(); !slices.Equal(held, []uint16{port}) {
			k.fatalf("held %d, want %d", held, port)
		}
		in.Close()
		k.must(server.Wait())
		if held := w.Held(); len(held) > 0 {
			k.fatalf("held %d after the server's end", held)
		}
	}
}

func TestListenHeld(t *testing.T) { everyView(t, "listens") }
