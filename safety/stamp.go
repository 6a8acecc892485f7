package safety

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"

	"bootgraft/image/disk"
)

// A stamp is how every sector that a test writes begins: who wrote it, for
// which sector, and a proof of both, so that what a test left behind is known
// again, wherever it lies.
//
//	 0  16  the key of the test
//	16   8  the sector that it was written for, big endian
//	24   8  the first bytes of the SHA-256 of stampName and the 24 before
const (
	stampKey   = 16
	stampProof = stampKey + 8
	stampSize  = stampProof + 8
	stampName  = "bootgraft card test"
)

// stamp writes the stamp of a sector to its start.
func stamp(b []byte, key []byte, s disk.Sector) {
	copy(b, key[:stampKey])
	binary.BigEndian.PutUint64(b[stampKey:], uint64(s))
	proof := stampProofOf(b)
	copy(b[stampProof:], proof[:stampSize-stampProof])
}

func stampProofOf(b []byte) [sha256.Size]byte {
	return sha256.Sum256(append([]byte(stampName), b[:stampProof]...))
}

// isStamped tells whether any test wrote this sector.
func isStamped(b []byte) bool {
	proof := stampProofOf(b)
	return bytes.Equal(b[stampProof:stampSize], proof[:stampSize-stampProof])
}

// stampOf returns the sector that the test with this key wrote it for.
func stampOf(b, key []byte) (disk.Sector, bool) {
	if !bytes.Equal(b[:stampKey], key[:stampKey]) || !isStamped(b) {
		return 0, false
	}
	return disk.Sector(binary.BigEndian.Uint64(b[stampKey:])), true
}
