package image

import "bytes"

// Blank returns the byte that fills all of b, if that is 00 or FF: what a drive
// or a flash card holds where nothing was written. Any other byte, even repeated,
// is content; nothing may be lost for being dull. No bytes at all are not blank.
func Blank(b []byte) (fill byte, blank bool) {
	if len(b) == 0 || b[0] != 0x00 && b[0] != 0xFF {
		return 0, false
	}
	// Comparing b with itself one byte on proves that all are equal.
	return b[0], bytes.Equal(b[1:], b[:len(b)-1])
}
