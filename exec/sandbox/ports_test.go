//go:build linux

package sandbox

import (
	"errors"
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

// portServer is a server of TCP in a process below. It listens at a port that the kernel does
// not choose, or at one that it does, until end is called.
func portServer(must func(error), port string) (at uint16, end func()) {
	server := osexec.Command("/usr/bin/php", "-r", `
		for ($port = `+port+`; !($s = @stream_socket_server("tcp://127.0.0.1:$port")); $port--);
		echo substr(strrchr(stream_socket_get_name($s, false), ":"), 1), "\n"; fgets(STDIN);`)
	in, err := server.StdinPipe()
	must(err)
	out, err := server.StdoutPipe()
	must(err)
	must(server.Start())
	_, err = fmt.Fscanln(out, &at)
	must(err)
	return at, func() {
		in.Close()
		must(server.Wait())
	}
}

// TestListenWatch tells a server that came and went from those that were there before, from
// those of others, here of this process, which the watch is to look below, and from ports that
// the kernel chose.
func TestListenWatch(t *testing.T) {
	before, machines := fixedPort(t)
	defer before.Close()
	w := WatchPorts(&View{})
	end := w.Watch(true)
	other, others := fixedPort(t)
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	chosen, endChosen := portServer(must, "0")
	port, endServer := portServer(must, "30000")
	if c, err := net.Dial("tcp4", other.Addr().String()); err != nil {
		t.Error(err)
	} else {
		c.Close()
	}
	for n := w.looks.Load(); w.looks.Load() < n+2*surelyOther; { // all but the first have begun since
		time.Sleep(lookPause)
	}
	endServer()
	endChosen()
	other.Close()
	ports := end()
	if !slices.Contains(ports, port) || slices.Contains(ports, machines) || slices.Contains(ports, others) {
		t.Errorf("ports %d, want %d and neither %d nor %d", ports, port, machines, others)
	}
	if slices.Contains(ports, chosen) {
		t.Errorf("ports %d, and the kernel chose %d", ports, chosen)
	}
	if ports := w.Watch(false)(); ports != nil {
		t.Errorf("not wanted, and yet ports %d", ports)
	}
	none := WatchPorts(&View{confinement: Confinement{Network: true}})
	if ports := none.Watch(true)(); ports != nil || none.Held() != nil {
		t.Errorf("in a network of its own: ports %d", ports)
	}
}

// TestSightings: what is not known for sure counts as the run's.
func TestSightings(t *testing.T) {
	server := traffic{map[string]uint16{"7": 8080}, map[string]uint16{"a": 8080}}
	none := func() (map[string]bool, error) { return nil, nil }
	below := func() (map[string]bool, error) { return map[string]bool{"7": true}, nil }
	unseen := func() (map[string]bool, error) { return nil, errors.New("it cannot be looked at") }
	for name, row := range map[string]struct {
		looks []func() (map[string]bool, error)
		still traffic
		want  []uint16
	}{
		"below":               {[]func() (map[string]bool, error){none, below, none, none, none}, traffic{}, []uint16{8080}},
		"below, and stays":    {[]func() (map[string]bool, error){below, none, none, none}, server, []uint16{8080}},
		"another's":           {[]func() (map[string]bool, error){none, none, none}, traffic{}, nil},
		"gone too soon":       {[]func() (map[string]bool, error){none, none}, traffic{}, []uint16{8080}},
		"it cannot be seen":   {[]func() (map[string]bool, error){unseen, unseen, unseen, unseen}, traffic{}, []uint16{8080}},
		"there when all ends": {[]func() (map[string]bool, error){none}, server, nil},
	} {
		s := sightings{listening: map[string]*listener{}, talking: map[string]uint16{}}
		for _, has := range row.looks {
			s.add(server, has)
		}
		if got := s.ports(row.still); !slices.Equal(got, row.want) {
			t.Errorf("%s: %d, want %d", name, got, row.want)
		}
	}
}

func init() {
	cases["listens"] = func(k insideT, _ string) {
		port, end := portServer(k.must, "30000")
		w := WatchPorts(k.v)
		if held := w.Held(); !slices.Equal(held, []uint16{port}) {
			k.fatalf("held %d, want %d", held, port)
		}
		end()
		if held := w.Held(); len(held) > 0 {
			k.fatalf("held %d after the server's end", held)
		}
	}
}

func TestListenHeld(t *testing.T) { everyView(t, "listens") }
