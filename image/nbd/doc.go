// Package nbd shows a disk that exists only as bytes, such as a planned card, to
// other programs as a block device: a server of the network block device protocol.
//
//	client                          server
//	                                NBDMAGIC, IHAVEOPT, handshake flags
//	client flags
//	option, such as GO name ------> export: size, what it can do
//	request: read, write, ... ----> reply: error, bytes
//
// It is the "fixed newstyle" negotiation with simple replies, as in the published
// protocol (doc/proto.md of the project NetworkBlockDevice/nbd, sections
// "Negotiation" and "Transmission"; the numbers here were typed from memory of it
// and are held against clients of others in the tests). Structured replies, TLS and
// meta contexts are refused, as the protocol allows.
//
// Nothing that a client sends is believed: every length is bounded before anything
// is allocated, a handshake must end within a time, and the number of clients is
// limited.
//
//	Show       serves a disk until its context ends; below it
//	server     accepts clients and talks to them
//	view       what a client sees of an image.Source, and what it read of it
//	scratch    a source whose writes stay in memory
package nbd
