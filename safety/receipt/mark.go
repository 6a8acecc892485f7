package receipt

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
)

// markBytes is where the mark of a fenced card lies, in bytes from its start.
//
// No known table, volume or start code looks there: MBR, GPT, the tables of
// Apple (the first 64 blocks), Sun, BSD, Atari and Amiga (the first 16 blocks),
// boot sectors with their backups and FSInfo, the superblocks of ext, XFS,
// F2FS, UFS (the last at 256 KiB) and btrfs (64 KiB), swap, LVM, RAID and
// bcache lie before it; the first two labels of ZFS end at 512 KiB; ISO 9660
// begins at 32 KiB; UDF has its anchors at 128 KiB, 256 KiB, 512 KiB and 1 MiB,
// whatever the sector size; the second headers of LUKS2 lie at powers of two.
// (From memory, but for what package layout reads itself.) It is a multiple of
// 4096, so that it is the start of a sector of any size that a card may have.
const markBytes = 724 << 10

// markMagic is what every mark begins with.
const markMagic = "bootgraft fence\n"

// Mark tells the card of one receipt from all others. It is drawn when the
// receipt is made, and lies on the card as long as the card is fenced.
type Mark [16]byte

// NewMark draws a mark.
func NewMark() (m Mark) {
	rand.Read(m[:]) // never fails, crypto/rand
	return m
}

// MarshalText implements encoding.TextMarshaler: 32 hexadecimal digits.
func (m Mark) MarshalText() ([]byte, error) { return fmt.Appendf(nil, "%x", m[:]), nil }

// UnmarshalText implements encoding.TextUnmarshaler.
func (m *Mark) UnmarshalText(text []byte) error {
	var b []byte
	if n, err := fmt.Sscanf(string(text), "%x", &b); n != 1 || err != nil || len(b) != len(m) {
		return fmt.Errorf("%.40q is no mark of %d bytes", text, len(m))
	}
	copy(m[:], b)
	return nil
}

// MarkSector returns the sector of the mark. A disk that is too small to have
// the usual one has it at its end.
func MarkSector(drive plan.Size) disk.Span {
	at := min(disk.Sector(markBytes/drive.SectorSize), drive.Sectors-1)
	return disk.Span{Start: at, Count: 1}
}

// Sector returns the sector of size bytes that bears the mark: the magic, the
// mark, the SHA-256 of both, and zeros.
func (m Mark) Sector(size int) []byte {
	b := make([]byte, size)
	n := copy(b, markMagic)
	n += copy(b[n:], m[:])
	sum := sha256.Sum256(b[:n])
	copy(b[n:], sum[:])
	return b
}

// MarkIn returns the mark that a sector bears, whole.
func MarkIn(b []byte) (m Mark, ok bool) {
	if len(b) < len(markMagic)+len(m)+sha256.Size {
		return m, false
	}
	copy(m[:], b[len(markMagic):])
	return m, bytes.Equal(b, m.Sector(len(b)))
}

// MarkOf returns the mark that a fenced card bears. A card without one is no
// error.
func MarkOf(card image.Source) (m Mark, ok bool, err error) {
	disk := plan.Size{Sectors: image.Sectors(card), SectorSize: card.SectorSize()}
	if disk.Sectors < 1 {
		return m, false, nil
	}
	b, err := image.ReadSectors(card, MarkSector(disk))
	if err != nil {
		return m, false, err
	}
	m, ok = MarkIn(b)
	return m, ok, nil
}

// MarkSpan returns the sector of the mark, if the card is fenced and bears one.
func MarkSpan(card image.Source) (disk.Span, bool) {
	if _, ok, err := MarkOf(card); err != nil || !ok {
		return disk.Span{}, false
	}
	return MarkSector(plan.Size{Sectors: image.Sectors(card), SectorSize: card.SectorSize()}), true
}
