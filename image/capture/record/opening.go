package record

import (
	"bytes"
	"fmt"
	"hash/crc32"
)

// openingLine is the first line of every record.
var openingLine = func() []byte {
	text := "# " + words[0] + "\n"
	return fmt.Appendf(nil, "%08x %s", crc32.ChecksumIEEE([]byte(text)), text)
}()

// Is tells whether a file that begins with head is a record. A record that
// was cut off in its first line, or has a wrong bit in it, is one too: nobody
// else begins a file so.
func Is(head []byte) bool {
	const digits = 9 // and the blank
	if n := min(len(head), len(openingLine)); n < len(openingLine) {
		return n >= digits && bytes.Equal(head, openingLine[:n])
	}
	line := head[:len(openingLine)]
	return bytes.Equal(line[:digits], openingLine[:digits]) || bytes.Equal(line[digits:], openingLine[digits:])
}
