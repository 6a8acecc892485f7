//go:build !unix

package nbd

import "net"

// listenHere makes a socket at a path that nothing has. Who may reach it is for its
// folder to say.
func listenHere(path string) (net.Listener, error) { return net.Listen("unix", path) }
