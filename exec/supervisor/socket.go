//go:build linux

package supervisor

import (
	"assay/exec/wire"
	"bufio"
	"bytes"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"sync"
	"sync/atomic"
	"time"
)

// maxLine bounds one message from PHP, in bytes; longer lines are not ours.
const maxLine = 64 << 20

// listener accepts the connections of PHP processes and gives each to the
// peer whose token it names.
type listener struct {
	socket net.Listener
	name   string
	mu     sync.Mutex
	peers  map[string]*peer
}

// A peer is one PHP process, over one connection or, when the code under test
// closed it, several.
type peer struct {
	token    string        // see tokenNow
	isFirst  bool          // see expectFirst
	owner    int           // the process, once owned is closed
	owned    chan struct{} // closed when it is known which process it is
	owning   sync.Once
	messages chan wire.Message
	closed   chan struct{} // closed when the last connection ended
	mu       sync.Mutex
	conn     net.Conn
	open     int
	done     bool
}

func newToken() string {
	b := make([]byte, 12)
	if _, err := rand.Read(b); err != nil {
		panic(err)
	}
	return hex.EncodeToString(b)
}

func newListener() (*listener, error) {
	name := "assay-" + newToken()
	l, err := listenNamed(name)
	if err != nil {
		return nil, fmt.Errorf("no socket for PHP: %w", err)
	}
	s := &listener{socket: l, name: name, peers: map[string]*peer{}}
	go s.accept()
	return s, nil
}

// expect makes the peer for a process that is about to be forked.
func (s *listener) expect() *peer { return s.await(false) }

func (s *listener) await(isFirst bool) *peer {
	p := &peer{isFirst: isFirst, token: newToken(), messages: make(chan wire.Message, 4096), closed: make(chan struct{}), owned: make(chan struct{})}
	s.mu.Lock()
	s.peers[p.token] = p
	s.mu.Unlock()
	return p
}

// expectFirst is expect for a process that is started, of which perhaps only the number of a
// script is known that starts it. It says hello before it may run anything of the project, so
// it is whoever is heard first; the token that it is started with, which others can find out,
// ends with that (see rename).
func (s *listener) expectFirst() *peer {
	return s.await(true)
}

// rename gives a peer another token, under which alone it is heard from now on.
func (s *listener) rename(p *peer) string {
	token := newToken()
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.peers, p.tokenNow())
	s.peers[token] = p
	p.mu.Lock()
	p.token = token
	p.mu.Unlock()
	return token
}

func (p *peer) tokenNow() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.token
}

// belongsTo says which process a peer is: whoever forked it knows. Until then nothing that
// comes under the token is heard, for code under test can hand that on.
func (p *peer) belongsTo(pid int) {
	p.owning.Do(func() {
		p.owner = pid
		close(p.owned)
	})
}

// helloTime bounds how long a connection may take to name a token, and it to be known whose
// that is.
const helloTime = 10 * time.Second

// forget ends the expectation; what still comes under the token is dropped.
func (s *listener) forget(p *peer) {
	s.mu.Lock()
	delete(s.peers, p.tokenNow())
	s.mu.Unlock()
	p.mu.Lock()
	p.done = true
	if p.conn != nil {
		p.conn.Close()
	}
	p.mu.Unlock()
	// A reader may be waiting to deliver.
	for {
		select {
		case <-p.messages:
			continue
		default:
		}
		return
	}
}

func (s *listener) accept() {
	for {
		c, err := s.socket.Accept()
		if err != nil {
			return
		}
		go s.greet(c)
	}
}

func (s *listener) greet(c net.Conn) {
	defer c.Close()
	conn, ok := c.(*net.UnixConn)
	if !ok {
		return
	}
	var sender atomic.Int32
	r := bufio.NewReaderSize(senderReader{conn, &sender}, 1<<16)
	c.SetReadDeadline(time.Now().Add(helloTime))
	first, err := r.ReadSlice('\n')
	if err != nil {
		return
	}
	c.SetReadDeadline(time.Time{})
	s.mu.Lock()
	p := s.peers[string(bytes.TrimSpace(first))]
	s.mu.Unlock()
	if p == nil {
		return
	}
	if p.isFirst {
		p.belongsTo(int(sender.Load()))
	}
	select {
	case <-p.owned:
	case <-time.After(helloTime):
		return
	}
	if int(sender.Load()) != p.owner {
		return // another process has learnt the token
	}
	p.mu.Lock()
	p.conn = c
	p.open++
	p.mu.Unlock()
	p.read(r)
	p.mu.Lock()
	if p.open--; p.open == 0 {
		select {
		case <-p.closed:
		default:
			close(p.closed)
		}
	}
	p.mu.Unlock()
}

// drained reports whether every connection has ended and been read to its end.
// A process that was killed early may have left one in the listener's queue:
// that is waited for, shortly, when nothing was heard of the process at all.
func (p *peer) drained(heard bool) bool {
	patience := 500 * time.Millisecond
	if !heard {
		patience = 100 * time.Millisecond
	}
	for end := time.Now().Add(patience); ; time.Sleep(100 * time.Microsecond) {
		p.mu.Lock()
		over := p.open == 0 && p.conn != nil
		p.mu.Unlock()
		if over {
			return true
		}
		if time.Now().After(end) {
			return false
		}
	}
}

// read delivers the lines that are headed by the token.
func (p *peer) read(r *bufio.Reader) {
	for {
		line, err := readLine(r)
		if rest, ok := bytes.CutPrefix(line, []byte(p.tokenNow()+" ")); ok {
			if m, bad := wire.Parse(rest); bad == nil {
				p.deliver(m)
			}
		}
		if err != nil {
			return
		}
	}
}

func (p *peer) deliver(m wire.Message) {
	select {
	case p.messages <- m:
		return
	default:
	}
	for {
		select {
		case p.messages <- m:
			return
		case <-time.After(100 * time.Millisecond):
			p.mu.Lock()
			done := p.done
			p.mu.Unlock()
			if done {
				return
			}
		}
	}
}

// readLine reads one line of at most maxLine bytes; of a longer one only that
// much is kept.
func readLine(r *bufio.Reader) ([]byte, error) {
	var line []byte
	for {
		part, err := r.ReadSlice('\n')
		if len(line)+len(part) <= maxLine {
			line = append(line, part...)
		}
		if err != bufio.ErrBufferFull {
			return bytes.TrimSuffix(line, []byte("\n")), err
		}
	}
}

// send writes one message to PHP.
func (p *peer) send(v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	p.mu.Lock()
	c := p.conn
	p.mu.Unlock()
	if c == nil {
		return fmt.Errorf("php has not called yet")
	}
	c.SetWriteDeadline(time.Now().Add(10 * time.Second))
	_, err = c.Write(append(b, '\n'))
	return err
}

func (s *listener) close() { s.socket.Close() }

// tail keeps the last bytes of what is written to it.
type tail struct {
	mu   sync.Mutex
	buf  []byte
	size int
}

func (t *tail) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := len(b)
	if len(b) > t.size {
		b = b[len(b)-t.size:]
	}
	t.buf = append(t.buf, b...)
	if over := len(t.buf) - t.size; over > 0 {
		t.buf = append(t.buf[:0], t.buf[over:]...)
	}
	return n, nil
}

func (t *tail) take() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	s := string(t.buf)
	t.buf = t.buf[:0]
	return s
}

// drain copies a pipe into t until every writer is gone.
func (t *tail) drain(r *os.File) {
	buf := make([]byte, 64<<10)
	for {
		n, err := r.Read(buf)
		t.Write(buf[:n])
		if err != nil {
			return
		}
	}
}
