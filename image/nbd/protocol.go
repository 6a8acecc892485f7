package nbd

import "errors"

// Magic numbers of the protocol.
const (
	magicServer  = 0x4e42444d41474943 // "NBDMAGIC"
	magicOption  = 0x49484156454F5054 // "IHAVEOPT", before every option too
	magicReply   = 0x0003e889045565a9 // before the reply to an option
	magicRequest = 0x25609513
	magicAnswer  = 0x67446698 // before a simple reply
)

// Handshake flags; the client answers with those that it takes up.
const (
	flagFixedNewstyle = 1 << 0
	flagNoZeroes      = 1 << 1
)

// Options that a client may send.
const (
	optExportName = 1
	optAbort      = 2
	optList       = 3
	optInfo       = 6
	optGo         = 7
)

// Replies to an option. Those with the highest bit set are errors.
const (
	repAck        = 1
	repServer     = 2
	repInfo       = 3
	repErrUnsup   = 1<<31 + 1
	repErrInvalid = 1<<31 + 3
	repErrTooBig  = 1<<31 + 9
)

// Information about the export.
const (
	infoExport    = 0
	infoBlockSize = 3
)

// Transmission flags: what the export can do.
const (
	flagHasFlags    = 1 << 0
	flagReadOnly    = 1 << 1
	flagSendFlush   = 1 << 2
	flagSendFUA     = 1 << 3
	flagWriteZeroes = 1 << 6
	flagMultiConn   = 1 << 8 // all clients see the same bytes
)

// Requests.
const (
	cmdRead        = 0
	cmdWrite       = 1
	cmdDisconnect  = 2
	cmdFlush       = 3
	cmdWriteZeroes = 6
)

// Errors of a request, as numbers of the protocol.
const (
	errPerm    = 1
	errIO      = 5
	errInvalid = 22
	errNoSpace = 28
)

// Bounds of what a client may ask for.
const (
	mostOptions    = 64       // in one handshake
	mostOptionData = 8 << 10  // bytes; a name has at most 4,096
	mostPayload    = 32 << 20 // bytes of one request, the least that the protocol lets a client assume
	goodBlock      = 4096     // the size of requests that serves best, in bytes
)

// errEnd says that the client took its leave.
var errEnd = errors.New("the client has ended the connection")
