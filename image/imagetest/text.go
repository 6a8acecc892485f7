package imagetest

import (
	"bufio"
	"encoding/hex"
	"fmt"
	"io"
	"strconv"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Parse reads a disk from reviewable text. Lines are:
//
//	# a comment, also after other content
//	disk SECTORS SECTORSIZE    first, once
//	@SECTOR                    the rows below belong to this sector
//	1be: 80 01 01 00 ...       bytes in hex from this offset (hex) in the sector
//	fill START+COUNT BYTE      whole sectors of one byte (hex)
func Parse(r io.Reader) (*Disk, error) {
	var d *Disk
	var at disk.Sector
	sc := bufio.NewScanner(r)
	for line := 1; sc.Scan(); line++ {
		text, _, _ := strings.Cut(sc.Text(), "#")
		f := strings.Fields(text)
		if len(f) == 0 {
			continue
		}
		err := parseLine(&d, &at, f)
		if err != nil {
			return nil, fmt.Errorf("line %d: %q: %w", line, sc.Text(), err)
		}
	}
	if d == nil {
		return nil, fmt.Errorf("no disk line")
	}
	return d, sc.Err()
}

func parseLine(d **Disk, at *disk.Sector, f []string) error {
	if f[0] == "disk" {
		if *d != nil || len(f) != 3 {
			return fmt.Errorf("want one line: disk SECTORS SECTORSIZE")
		}
		n, err := strconv.ParseInt(f[1], 10, 64)
		if err != nil {
			return err
		}
		s, err := strconv.Atoi(f[2])
		if err != nil {
			return err
		}
		*d = New(disk.Sector(n), s)
		return nil
	}
	if *d == nil {
		return fmt.Errorf("the disk line must come first")
	}
	if num, ok := strings.CutPrefix(f[0], "@"); ok {
		n, err := strconv.ParseInt(num, 10, 64)
		*at = disk.Sector(n)
		return err
	}
	if f[0] == "fill" {
		return parseFill(*d, f)
	}
	num, ok := strings.CutSuffix(f[0], ":")
	if !ok {
		return fmt.Errorf("unknown line")
	}
	off, err := strconv.ParseInt(num, 16, 32)
	if err != nil {
		return err
	}
	b, err := hex.DecodeString(strings.Join(f[1:], ""))
	if err != nil {
		return err
	}
	_, err = (*d).WriteAt(b, int64(*at)*int64((*d).sectorSize)+off)
	return err
}

func parseFill(d *Disk, f []string) error {
	if len(f) != 3 {
		return fmt.Errorf("want: fill START+COUNT BYTE")
	}
	var s disk.Span
	if _, err := fmt.Sscanf(f[1], "%d+%d", &s.Start, &s.Count); err != nil {
		return err
	}
	v, err := strconv.ParseUint(f[2], 16, 8)
	if err != nil {
		return err
	}
	row := []byte(strings.Repeat(string([]byte{byte(v)}), d.sectorSize))
	for x := s.Start; x < s.End(); x++ {
		if _, err := d.WriteAt(row, int64(x)*int64(d.sectorSize)); err != nil {
			return err
		}
	}
	return nil
}

// Format writes src as text that Parse reads back: rows of 16 bytes, those of
// zeros left out.
func Format(w io.Writer, src image.Source) error {
	n := src.SectorSize()
	fmt.Fprintf(w, "disk %d %d\n", image.Sectors(src), n)
	buf := make([]byte, n)
	zero := make([]byte, 16)
	for off := int64(0); ; {
		start, end := image.NextData(src, off)
		if start >= src.Size() {
			return nil
		}
		for x := start / int64(n); x*int64(n) < end; x++ {
			if err := image.ReadFull(src, buf, x*int64(n)); err != nil {
				return err
			}
			named := false
			for i := 0; i < n; i += 16 {
				if string(buf[i:i+16]) == string(zero) {
					continue
				}
				if !named {
					fmt.Fprintf(w, "@%d\n", x)
					named = true
				}
				fmt.Fprintf(w, "%03x: % x\n", i, buf[i:i+16])
			}
		}
		off = end
	}
}
