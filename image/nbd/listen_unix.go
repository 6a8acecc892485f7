//go:build unix

package nbd

import (
	"net"
	"syscall"
)

// listenHere makes a socket at a path that nothing has, for this user alone.
func listenHere(path string) (net.Listener, error) {
	// The rights are those of the moment in which it is made: changed afterwards, it
	// would be open to all for a while.
	defer syscall.Umask(syscall.Umask(0o177))
	return net.Listen("unix", path)
}
