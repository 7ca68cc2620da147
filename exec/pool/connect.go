package pool

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/natscontext"
)

// Access says where a server is, and by what it lets us in.
type Access struct {
	URL      string // servers of one cluster, with commas; "" where Context has it
	Context  string // the name or the file of a context of NATS's own tools; "" for none
	Creds    string // the file of a user's credentials (a JWT and its key)
	Secret   string // the file of a token
	CA       string // the file of the certificates of those who sign the server's
	Cert     string // the file of our certificate, and of its key
	Key      string
	Insecure bool // a server elsewhere may be talked to without TLS
}

// An AccessError is the user's to mend.
type AccessError struct{ error }

func (e AccessError) Unwrap() error { return e.error }

func accessf(format string, args ...any) error { return AccessError{fmt.Errorf(format, args...)} }

// A Conn is a connection to a server, which is made again whenever it was lost.
type Conn struct {
	nc *nats.Conn
	js jetstream.JetStream
}

// Close ends the connection; what was said before is sent, if the server is there.
func (c *Conn) Close() {
	if c.nc.IsConnected() {
		c.nc.FlushTimeout(2 * time.Second) // that a batch is given back, say; without it others wait for a while
	}
	c.nc.Close()
}

// options are those of the connection, besides where the server is.
func (a *Access) options(name string) ([]nats.Option, error) {
	opts := []nats.Option{nats.Name(name), nats.MaxReconnects(-1), nats.ReconnectWait(500 * time.Millisecond), nats.ReconnectJitter(250*time.Millisecond, 250*time.Millisecond),
		nats.Timeout(5 * time.Second), nats.PingInterval(10 * time.Second), nats.MaxPingsOutstanding(2),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {})} // each call has its own error
	if a.Creds != "" {
		opts = append(opts, nats.UserCredentials(a.Creds))
	}
	if a.Secret != "" {
		token, err := readSecret(a.Secret)
		if err != nil {
			return nil, err
		}
		opts = append(opts, nats.Token(token))
	}
	if a.CA != "" {
		opts = append(opts, nats.RootCAs(a.CA))
	}
	if (a.Cert == "") != (a.Key == "") {
		return nil, accessf("a certificate needs its key, and a key its certificate")
	}
	if a.Cert != "" {
		opts = append(opts, nats.ClientCert(a.Cert, a.Key))
	}
	return opts, nil
}

// leastSecret is the least number of bytes in a token.
const leastSecret = 16

// readSecret reads a token, which nobody but its owner may read or write.
func readSecret(path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return "", AccessError{err}
	}
	if info.Mode().Perm()&0o077 != 0 {
		return "", accessf("%s: others can read or write it; chmod 600 %s", path, path)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return "", AccessError{err}
	}
	token := strings.TrimSpace(string(text))
	if len(token) < leastSecret {
		return "", accessf("%s: a secret has %d characters at least", path, leastSecret)
	}
	return token, nil
}

// Connect connects to a server. Where none answers it fails, or with waiting tells why and tries
// again until ctx ends.
func Connect(ctx context.Context, a Access, name string, waiting func(why error)) (*Conn, error) {
	opts, err := a.options(name)
	if err != nil {
		return nil, err
	}
	if err := a.check(); err != nil {
		return nil, err
	}
	for {
		c, err := a.connect(opts)
		var bad AccessError
		switch {
		case err == nil || errors.As(err, &bad):
			return c, err
		case errors.Is(err, nats.ErrAuthorization), errors.Is(err, nats.ErrAuthExpired), errors.As(err, new(*tls.CertificateVerificationError)):
			return nil, accessf("the server of the pool does not let us in, or is not who it should be: %w", err)
		case waiting == nil:
			return nil, accessf("the pool %s: %w", a.place(), err)
		}
		waiting(err)
		select {
		case <-time.After(time.Second):
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

func (a *Access) place() string {
	if a.Context != "" {
		return "of the context " + a.Context
	}
	return Shown(a.URL)
}

// Shown gives URLs without names and passwords.
func Shown(urls string) string {
	var out []string
	for text := range strings.SplitSeq(urls, ",") {
		if u, err := url.Parse(text); err == nil {
			u.User = nil
			text = u.String()
		} else {
			text = "(an address that cannot be read)"
		}
		out = append(out, text)
	}
	return strings.Join(out, ",")
}

// check refuses addresses that are none, and those of other machines without TLS.
func (a *Access) check() error {
	if a.Context != "" {
		return nil // see connect
	}
	for text := range strings.SplitSeq(a.URL, ",") {
		u, err := url.Parse(text)
		if err != nil || u.Hostname() == "" {
			return accessf("%s is no address of a server; write it as nats://127.0.0.1:4222 or tls://pool.example:4222", Shown(text))
		}
		switch u.Scheme {
		case "tls", "wss":
		case "nats", "ws":
			if !a.Insecure && !isLoopback(u.Hostname()) {
				return accessf("%s: who can listen on the way reads the sources, and can have code of theirs run on workers; use tls://, or allow it with --insecure", Shown(text))
			}
		default:
			return accessf("%s: there is no %q; an address begins with nats://, tls://, ws:// or wss://", Shown(text), u.Scheme)
		}
	}
	return nil
}

// isLoopback reports whether a host is this machine, and nobody else can be meant.
func isLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// connect tries once.
func (a *Access) connect(opts []nats.Option) (*Conn, error) {
	if a.Context == "" {
		nc, err := nats.Connect(a.URL, opts...)
		if err != nil {
			return nil, err
		}
		return newConn(nc, "")
	}
	nc, settings, err := natscontext.Connect(a.Context, opts...)
	if err != nil {
		return nil, fmt.Errorf("the context %s: %w", a.Context, err)
	}
	if u, err := url.Parse(nc.ConnectedUrl()); err != nil || !a.Insecure && !isLoopback(u.Hostname()) {
		if _, err := nc.TLSConnectionState(); err != nil {
			nc.Close()
			return nil, accessf("the context %s leads to another machine without TLS; allow that with --insecure", a.Context)
		}
	}
	return newConn(nc, settings.JSDomain)
}

func newConn(nc *nats.Conn, domain string) (*Conn, error) {
	js, err := jetstream.New(nc)
	if domain != "" {
		js, err = jetstream.NewWithDomain(nc, domain)
	}
	if err != nil {
		nc.Close()
		return nil, err
	}
	return &Conn{nc: nc, js: js}, nil
}
