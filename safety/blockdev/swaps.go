package blockdev

import (
	"errors"
	"io/fs"
	"os"
	"strconv"
	"strings"
)

// SwapList is where Linux lists what it swaps to: proc(5).
const SwapList = "/proc/swaps"

// Swaps returns the names of the files and devices in a list of the form of
// SwapList. Where there is no such list nothing is swapped to.
func Swaps(list string) ([]string, error) {
	text, err := os.ReadFile(list)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out []string
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		if len(f) > 0 && strings.HasPrefix(f[0], "/") {
			out = append(out, unescape(f[0]))
		}
	}
	return out, nil
}

// unescape turns the octal escapes in lists of the kernel back: \040 is a blank.
func unescape(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' && i+3 < len(s) {
			if n, err := strconv.ParseUint(s[i+1:i+4], 8, 8); err == nil {
				b.WriteByte(byte(n))
				i += 3
				continue
			}
		}
		b.WriteByte(s[i])
	}
	return b.String()
}
