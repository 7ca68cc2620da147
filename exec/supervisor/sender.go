//go:build linux

package supervisor

import (
	"context"
	"io"
	"net"
	"sync/atomic"
	"syscall"

	"golang.org/x/sys/unix"
)

// listenNamed listens at an abstract socket whose connections tell which process has written
// what (SO_PASSCRED in unix(7)): a token can be read by code under test, and handed on to a
// process that it starts; who writes is said by the kernel.
func listenNamed(name string) (net.Listener, error) {
	config := net.ListenConfig{Control: func(_, _ string, c syscall.RawConn) (err error) {
		outer := c.Control(func(fd uintptr) { err = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_PASSCRED, 1) })
		if outer != nil {
			return outer
		}
		return err
	}}
	return config.Listen(context.Background(), "unix", "@"+name)
}

// A senderReader reads what the process has written that wrote first over a connection, and
// nothing of others.
type senderReader struct {
	conn   *net.UnixConn
	sender *atomic.Int32 // 0: nobody has written yet
}

func (r senderReader) Read(b []byte) (int, error) {
	var control [256]byte
	for {
		n, size, _, _, err := r.conn.ReadMsgUnix(b, control[:])
		if n <= 0 && err == nil {
			err = io.EOF
		}
		if err != nil {
			return max(n, 0), err
		}
		pid := writtenBy(control[:size])
		if pid != 0 && (r.sender.CompareAndSwap(0, pid) || r.sender.Load() == pid) {
			return n, nil
		}
	}
}

// writtenBy gives the process that control messages name; 0 where none does, or one that
// cannot be seen from here. Descriptors that
// come with them are not wanted.
func writtenBy(control []byte) (pid int32) {
	list, err := unix.ParseSocketControlMessage(control)
	if err != nil {
		return 0
	}
	for i := range list {
		if c, err := unix.ParseUnixCredentials(&list[i]); err == nil {
			pid = c.Pid
		}
		if fds, err := unix.ParseUnixRights(&list[i]); err == nil {
			for _, fd := range fds {
				unix.Close(fd)
			}
		}
	}
	return pid
}
