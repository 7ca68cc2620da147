package pool

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// Listening says where a server of our own listens, and whom it lets in.
type Listening struct {
	Address  string // HOST:PORT; port 0 is any
	Dir      string // where it keeps what it holds; "" is in memory
	Temp     string // for what it needs a file for all the same
	Secret   string // the file of a token that who connects has to know
	Cert     string // the file of its certificate, and of the key
	Key      string
	Insecure bool // other machines may connect without a secret and TLS
}

// A Server is a server of NATS in this process.
type Server struct {
	s      *server.Server
	secret string
	temp   string // a folder to remove
}

// mostPayload bounds a message, in bytes; it is what NATS has where nobody says anything.
const mostPayload = 1 << 20

// Serve starts a server. It listens to other machines only where they have to show a secret,
// and TLS keeps it and the sources from those in between.
func Serve(l Listening) (*Server, error) {
	host, text, err := net.SplitHostPort(l.Address)
	port, fault := strconv.ParseUint(text, 10, 16)
	if err != nil || fault != nil || host == "" {
		return nil, accessf("%q is no address to listen at; write it as 127.0.0.1:4222", l.Address)
	}
	if (l.Cert == "") != (l.Key == "") {
		return nil, accessf("a certificate needs its key, and a key its certificate")
	}
	if !isLoopback(host) && !l.Insecure && (l.Secret == "" || l.Cert == "") {
		return nil, accessf("%s can be reached from other machines: who connects reads the sources of the project and may have code run by workers; give a secret and a certificate, or allow it with --insecure", l.Address)
	}
	o := &server.Options{Host: host, Port: int(port), NoLog: true, NoSigs: true, DontListen: false, JetStream: true, MaxPayload: mostPayload, StoreDir: l.Dir}
	if port == 0 {
		o.Port = server.RANDOM_PORT
	}
	s := &Server{}
	if l.Secret != "" {
		if s.secret, err = readSecret(l.Secret); err != nil {
			return nil, err
		}
		o.Authorization = s.secret
	}
	if l.Cert != "" {
		pair, err := tls.LoadX509KeyPair(l.Cert, l.Key)
		if err != nil {
			return nil, accessf("%s, %s: %w", l.Cert, l.Key, err)
		}
		o.TLS, o.TLSTimeout = true, 5
		o.TLSConfig = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	}
	if l.Dir == "" {
		if s.temp, err = os.MkdirTemp(l.Temp, "pool-"); err != nil {
			return nil, err
		}
		o.StoreDir = s.temp
	}
	if s.s, err = server.NewServer(o); err == nil {
		s.s.Start()
		if !s.s.ReadyForConnections(20 * time.Second) {
			err = accessf("a server cannot listen at %s; is the address taken?", l.Address)
		} else if !s.s.JetStreamEnabled() {
			err = accessf("the server cannot keep anything in %s", o.StoreDir)
		}
	}
	if err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// Address gives where it listens, as HOST:PORT.
func (s *Server) Address() string { return s.s.Addr().String() }

// Connect connects to it without a network.
func (s *Server) Connect(name string) (*Conn, error) {
	opts := []nats.Option{nats.Name(name), nats.InProcessServer(s.s), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {})}
	if s.secret != "" {
		opts = append(opts, nats.Token(s.secret))
	}
	nc, err := nats.Connect("", opts...)
	if err != nil {
		return nil, fmt.Errorf("the server of the pool: %w", err)
	}
	return newConn(nc, "")
}

// Close ends it.
func (s *Server) Close() error {
	if s.s != nil {
		s.s.Shutdown()
		s.s.WaitForShutdown()
	}
	if s.temp == "" {
		return nil
	}
	return os.RemoveAll(s.temp)
}
