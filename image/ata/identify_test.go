package ata

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// answer makes an answer from words, without the code under test.
type answer [256]uint16

func (a *answer) put(first int, text string) {
	for i := 0; i+1 < len(text); i += 2 {
		a[first+i/2] = uint16(text[i])<<8 | uint16(text[i+1])
	}
}

// bytes closes the answer with its checksum (drive maker's manual: the low byte of
// word 255 is A5h, and all 512 bytes add up to 0).
func (a answer) bytes() []byte {
	b := make([]byte, 512)
	for i, w := range a {
		b[2*i], b[2*i+1] = byte(w), byte(w>>8)
	}
	b[510], b[511] = 0xA5, 0
	s := byte(0)
	for _, c := range b {
		s += c
	}
	b[511] = -s
	return b
}

func (a answer) text() string {
	var s strings.Builder
	b := a.bytes()
	for i := 0; i < 512; i += 2 {
		fmt.Fprintf(&s, "%02x%02x", b[i+1], b[i])
		s.WriteString(map[bool]string{true: "\n", false: " "}[i%16 == 14])
	}
	return s.String()
}

// drive is an invented drive of about 2002.
func drive(r *rand.Rand) (a answer, sectors int64) {
	a[0], a[1], a[3], a[6] = 0x0040, 16383, 16, 63
	a.put(10, fmt.Sprintf("%20s", fmt.Sprintf("EX%08d", r.IntN(1e8))))
	a.put(23, "B1.07   ")
	a.put(27, fmt.Sprintf("%-40s", fmt.Sprintf("EXAMPLE OLD DISK %d GB, 4200 TURNS", 1+r.IntN(99))))
	a[49], a[53], a[80] = 0x0F00, 7, 0x007E
	a[54], a[55], a[56], a[57], a[58] = 16383, 16, 63, 0xFC10, 0x00FB
	n := r.Int64N(1 << 27)
	a[60], a[61] = uint16(n), uint16(n>>16)
	a[82], a[83], a[84], a[85], a[86], a[87] = 0x7468, 0x4001, 0x4000, 0x3469, 0, 0x4000
	if r.IntN(2) == 0 {
		n = 1<<28 + r.Int64N(1<<32)
		a[60], a[61] = 0xFFFF, 0x0FFF
		a[83] |= 1 << 10
		a[86] |= 1 << 10
		a[100], a[101], a[102] = uint16(n), uint16(n>>16), uint16(n>>32)
	}
	a[82] |= 2
	a[128] = 1 | uint16(r.IntN(4))<<1 | uint16(r.IntN(2))<<3
	return a, n
}

// TestAsHdparmReadsIt: hdparm, which decodes the same bytes from its standard input,
// says the same of invented drives.
func TestAsHdparmReadsIt(t *testing.T) {
	t.Parallel()
	tool := need.Tool(t, "hdparm")
	for _, seed := range need.Seeds(20, 500) {
		a, sectors := drive(rand.New(rand.NewPCG(uint64(seed), 0)))
		c := exec.Command(tool, "--Istdin")
		c.Stdin = strings.NewReader(a.text())
		out, err := c.CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		says := func(pattern string) string {
			m := regexp.MustCompile(pattern).FindSubmatch(out)
			if m == nil {
				return ""
			}
			return strings.TrimSpace(string(m[1]))
		}
		id, err := Parse(a.bytes())
		if err != nil {
			t.Fatal(err)
		}
		for what, pair := range map[string][2]string{
			"model":     {id.Model, says(`Model Number: +(.*)`)},
			"serial":    {id.Serial, says(`Serial Number: +(.*)`)},
			"firmware":  {id.Firmware, says(`Firmware Revision: +(.*)`)},
			"cylinders": {strconv.Itoa(id.Default.Cylinders), says(`cylinders\s+(\d+)`)},
			"28 bits":   {strconv.FormatInt(int64(id.Sectors28), 10), says(`LBA +user addressable sectors: +(\d+)`)},
			"checksum":  {fmt.Sprint(id.Checked), fmt.Sprint(strings.Contains(string(out), "Checksum: correct"))},
			"locked":    {fmt.Sprint(id.Security.Locked), fmt.Sprint(!strings.Contains(string(out), "not\tlocked"))},
			"frozen":    {fmt.Sprint(id.Security.Frozen), fmt.Sprint(!strings.Contains(string(out), "not\tfrozen"))},
			"protected": {fmt.Sprint(id.Protected), fmt.Sprint(strings.Contains(string(out), "Host Protected Area"))},
		} {
			if pair[0] != pair[1] {
				t.Errorf("seed %d, %s: we say %q, hdparm %q", seed, what, pair[0], pair[1])
			}
		}
		if id.Sectors48 > 0 {
			if got := says(`LBA48 +user addressable sectors: +(\d+)`); got != strconv.FormatInt(int64(id.Sectors48), 10) {
				t.Errorf("seed %d: 48 bits: we say %d, hdparm %q", seed, id.Sectors48, got)
			}
		}
		if id.Sectors != disk.Sector(sectors) || id.SectorSize != 512 {
			t.Errorf("seed %d: %d sectors of %d, want %d of 512", seed, id.Sectors, id.SectorSize, sectors)
		}
		if t.Failed() {
			t.Fatalf("%s\n%s", a.text(), out)
		}
	}
}

// TestForms: the same answer as bytes, as words, with words exchanged, and as Linux
// keeps it.
func TestForms(t *testing.T) {
	a, _ := drive(rand.New(rand.NewPCG(4, 4)))
	want, err := Parse(a.bytes())
	if err != nil {
		t.Fatal(err)
	}
	page := make([]byte, 60, 572)
	page[1] = 0x89
	for name, b := range map[string][]byte{
		"words as text": []byte(a.text()), "words exchanged": exchange(a.bytes()), "vpd_pg89": append(page, a.bytes()...),
	} {
		if got, err := Parse(b); err != nil || *got != *want {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}

// TestWhatIsNoAnswer: zeros, FF, noise, a boot sector, parts.
func TestWhatIsNoAnswer(t *testing.T) {
	a, _ := drive(rand.New(rand.NewPCG(5, 5)))
	noise := make([]byte, 512)
	rand.NewChaCha8([32]byte{1}).Read(noise)
	boot := make([]byte, 512)
	copy(boot, "\xEB\x3C\x90EXAMPLE ")
	boot[510], boot[511] = 0x55, 0xAA
	for name, b := range map[string][]byte{"noise": noise, "a boot sector": boot, "nothing": nil, "half": a.bytes()[:256], "text": []byte("hello")} {
		if id, err := Parse(b); !errors.Is(err, ErrNone) {
			t.Errorf("%s: %+v, %v", name, id, err)
		}
	}
	for _, fill := range []byte{0, 0xFF} {
		b := make([]byte, 512)
		for i := range b {
			b[i] = fill
		}
		if _, err := Parse(b); err == nil || !strings.Contains(err.Error(), "did not answer") {
			t.Errorf("%02X: %v", fill, err)
		}
	}
}

// TestWorkedExamples: words as they stand in drive and card makers' manuals.
func TestWorkedExamples(t *testing.T) {
	var a answer
	a[0], a[1], a[3], a[6] = 0x848A, 15401, 16, 63
	// "HELLO DISK" is 4845h 4C4Ch 4F20h 4449h 534Bh.
	for i, w := range []uint16{0x4845, 0x4C4C, 0x4F20, 0x4449, 0x534B} {
		a[27+i] = w
	}
	a[60], a[61] = 0xE000, 0x00EC // 15,523,840 sectors
	id, err := Parse(a.bytes())
	if err != nil || id.Model != "HELLO DISK" || id.Sectors != 15_523_840 || !id.CompactFlash || id.Default.Total() != 15_524_208 {
		t.Errorf("%+v, %v", id, err)
	}
}

func FuzzParse(f *testing.F) {
	a, _ := drive(rand.New(rand.NewPCG(6, 6)))
	f.Add(a.bytes())
	f.Add([]byte(a.text()))
	f.Fuzz(func(t *testing.T, b []byte) {
		id, err := Parse(b)
		if err == nil && (id.Sectors < 0 || id.SectorSize < 512 || id.SectorSize > 4096 || len(id.Model) > 40) {
			t.Errorf("%+v", id)
		}
	})
}

// TestDamagedAsHdparmReadsIt: words that no drive says, as after a bad cable, are read as
// hdparm reads them from its standard input, or are no answer.
func TestDamagedAsHdparmReadsIt(t *testing.T) {
	t.Parallel()
	tool := need.Tool(t, "hdparm")
	numbers := []int{1, 3, 6, 49, 53, 54, 55, 56, 60, 61, 82, 83, 84, 85, 86, 87, 100, 101, 102, 103, 106, 117, 118, 128}
	read := 0
	for _, seed := range need.Seeds(40, 1000) {
		r := rand.New(rand.NewPCG(uint64(seed), 1))
		a, _ := drive(r)
		for range 1 + r.IntN(4) {
			w := numbers[r.IntN(len(numbers))]
			a[w] = []uint16{0, 0xFFFF, a[w] ^ 1<<r.IntN(16), uint16(r.Uint32())}[r.IntN(4)]
		}
		c := exec.Command(tool, "--Istdin")
		c.Stdin = strings.NewReader(a.text())
		out, err := c.CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		id, err := Parse(a.bytes())
		if err != nil {
			continue
		}
		read++
		for what, pair := range map[string][2]string{
			"model":   {id.Model, `Model Number: +(.*)`},
			"serial":  {id.Serial, `Serial Number: +(.*)`},
			"28 bits": {strconv.FormatInt(int64(id.Sectors28), 10), `LBA +user addressable sectors: +(\d+)`},
			"48 bits": {strconv.FormatInt(int64(id.Sectors48), 10), `LBA48 +user addressable sectors: +(\d+)`},
			"heads":   {strconv.Itoa(id.Default.Heads), `heads\s+(\d+)`},
		} {
			// hdparm says nothing of what a word of the drive denies.
			if m := regexp.MustCompile(pair[1]).FindSubmatch(out); m != nil && strings.TrimSpace(string(m[1])) != pair[0] {
				t.Errorf("seed %d, %s: we say %q, hdparm %q", seed, what, pair[0], m[1])
			}
		}
		if a[128] == 0xFFFF {
			continue // a word that is not there, for us; hdparm reads its bits
		}
		said := string(out)
		locked := strings.Contains(said, "\tlocked\n") && !strings.Contains(said, "not\tlocked")
		if strings.Contains(said, "Security:") && locked != id.Security.Locked {
			t.Errorf("seed %d: locked %v, hdparm says\n%s", seed, id.Security.Locked, out)
		}
	}
	if read == 0 {
		t.Error("none was read")
	}
}
