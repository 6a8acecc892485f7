package scan

import (
	"bytes"
	"fmt"

	"bootgraft/image/disk"
)

// maxSignatures bounds what is listed of one region: by hand, no source.
const maxSignatures = 8

// minText is the shortest run of ASCII that is shown: in random bytes one of
// this length is to be expected about once in 12 MB.
const minText = 16

// signatures names what the bytes of a boot area look like. They are hints
// for a person and decide nothing.
type signatures struct {
	found  []string
	names  map[string]bool
	looked int
}

// knownBytes are byte strings that identify their writer wherever they stand
// in a sector of boot code. Sources: the loaders' own published sources
// (GRUB grub-core/boot/i386/pc/boot.S and GRUB legacy stage1, "GRUB ";
// Syslinux core/diskstart.inc, "SYSLINUX").
var knownBytes = []struct{ name, text string }{
	{"GRUB boot code", "GRUB "},
	{"GRUB boot code", "loading stage"},
	{"Syslinux boot code", "SYSLINUX"},
	{"Syslinux boot code", "EXTLINUX"},
	{"file system boot code", "Missing operating system"},
	{"file system boot code", "Invalid partition table"},
}

// atStart are headers that stand at the first byte of a sector.
var atStart = []struct{ name, text string }{
	{"WAV audio (RIFF)", "RIFF"},
	{"MPEG audio with an ID3 tag", "ID3\x03"},
	{"MPEG audio with an ID3 tag", "ID3\x02"},
	{"AIFF audio (FORM)", "FORM"},
	{"32-bit reversed RIFF", "FFIR"},
	{"16-bit swapped RIFF", "IRFF"},
	{"executable (ELF)", "\x7fELF"},
	{"gzip data", "\x1f\x8b\x08"},
	{"ZIP archive", "PK\x03\x04"},
	{"GPT header", "EFI PART"},
}

func (s *signatures) look(x disk.Sector, b []byte) {
	if s.looked++; s.looked > hashLimit || len(s.found) >= maxSignatures {
		return
	}
	for _, k := range atStart {
		if bytes.HasPrefix(b, []byte(k.text)) {
			s.add(k.name, x)
		}
	}
	for _, k := range knownBytes {
		if bytes.Contains(b, []byte(k.text)) {
			s.add(k.name, x)
		}
	}
	if b[510] == 0x55 && b[511] == 0xAA {
		s.add("ends in 55 AA", x)
	}
	if len(s.found) == 0 {
		if text := longestText(b); len(text) >= minText {
			s.add(fmt.Sprintf("text %q", text), x)
		}
	}
}

func (s *signatures) add(name string, x disk.Sector) {
	if s.names == nil {
		s.names = map[string]bool{}
	}
	if s.names[name] || len(s.found) >= maxSignatures {
		return
	}
	s.names[name] = true
	s.found = append(s.found, fmt.Sprintf("%s at sector %d", name, x))
}

// longestText returns the longest run of printable ASCII in b that has minText bytes or
// more, 40 bytes at most of it, the first of those that are equally long. It looks at every
// minText-th byte alone until one of them is printable.
func longestText(b []byte) string {
	var best, end int
	for i := minText - 1; i < len(b); i += minText {
		if !printable(b[i]) {
			continue
		}
		from, to := i, i+1
		for from > 0 && printable(b[from-1]) {
			from--
		}
		for to < len(b) && printable(b[to]) {
			to++
		}
		if to-from > max(best, minText-1) {
			best, end = to-from, to
		}
		i = to
	}
	return string(b[end-best : end][:min(best, 40)])
}

func printable(c byte) bool { return c >= 0x20 && c <= 0x7e }
