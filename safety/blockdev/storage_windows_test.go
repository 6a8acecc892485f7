package blockdev

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/windows"

	"bootgraft/image"
)

// descriptor makes a STORAGE_DEVICE_DESCRIPTOR as winioctl.h draws it: 36 bytes, then texts.
func descriptor(vendor, product, serial string, bus uint32, removable byte) []byte {
	b := make([]byte, 36)
	for field, text := range map[int]string{12: vendor, 16: product, 24: serial} {
		if text != "" {
			binary.LittleEndian.PutUint32(b[field:], uint32(len(b)))
			b = append(b, text+"\x00"...)
		}
	}
	binary.LittleEndian.PutUint32(b[28:], bus)
	b[10] = removable
	return b
}

func TestWhatADriverTells(t *testing.T) {
	whole := descriptor("INVENTED", "READER 4\x1b  ", "  X 001 ", 7, 1)
	if got, want := deviceDescriptor(whole), (image.Identity{Model: "INVENTED READER 4", Serial: "X 001", Bus: "usb",
		Removable: true}); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	if got := deviceDescriptor(descriptor("", "DISK", "", 11, 0)); got != (image.Identity{Model: "DISK", Bus: "ata"}) {
		t.Errorf("%+v", got)
	}
	// Texts that lie outside, or have no end, and answers that are cut anywhere.
	odd := slices.Clone(whole)
	binary.LittleEndian.PutUint32(odd[16:], 0xFFFF_FFFF)
	if got := deviceDescriptor(odd); got.Model != "INVENTED" {
		t.Errorf("%+v", got)
	}
	for n := range whole {
		deviceDescriptor(whole[:n])
		lengthInfo(whole[:n])
		geometryEx(whole[:n])
		alignmentDescriptor(whole[:n])
		extentDisks(whole[:n])
		deviceNumber(whole[:n])
		isOffline(whole[:n])
	}
}

func TestNumbersOfADriver(t *testing.T) {
	le := binary.LittleEndian
	geo := make([]byte, 40)
	le.PutUint32(geo[20:], 512)
	le.PutUint64(geo[24:], 268_369_920)
	if size, sector := geometryEx(geo); size != 268_369_920 || sector != 512 {
		t.Errorf("%d bytes in sectors of %d", size, sector)
	}
	if n := lengthInfo([]byte{0, 0, 0, 0, 0, 0, 0, 0x80}); n != 0 {
		t.Errorf("a size below nothing is %d", n)
	}
	extents := make([]byte, 8+2*24)
	le.PutUint32(extents, 2)
	le.PutUint32(extents[8:], 3)
	le.PutUint32(extents[32:], 5)
	if got := extentDisks(extents); !slices.Equal(got, []int{3, 5}) {
		t.Errorf("the extents lie on %v", got)
	}
	le.PutUint32(extents, 0xFFFF_FFFF) // more than there are
	if got := extentDisks(extents); len(got) != 2 {
		t.Errorf("the extents lie on %v", got)
	}
	number := make([]byte, 12)
	le.PutUint32(number, 7)
	le.PutUint32(number[4:], 4)
	if n, ok := deviceNumber(number); !ok || n != 4 {
		t.Errorf("disk %d, %v", n, ok)
	}
	le.PutUint32(number, 2) // FILE_DEVICE_CD_ROM
	if _, ok := deviceNumber(number); ok {
		t.Error("an optical drive is no disk")
	}
	attributes := make([]byte, 16)
	le.PutUint32(attributes, 16)
	if isOffline(attributes) {
		t.Error("no attribute is offline")
	}
	attributes[8] = 1
	if !isOffline(attributes) {
		t.Error("it is offline")
	}
}

// The numbers are those of "System Error Codes" of the documentation of Windows.
func TestErrorsByNumber(t *testing.T) {
	for fault, numbers := range map[image.Fault][]windows.Errno{
		image.BadSector: {23, 25, 27, 30, 483, 1117, 1126, 1127},
		image.TimedOut:  {121, 1128, 1460},
		image.Gone:      {20, 21, 55, 321, 433, 995, 1112, 1167, 1200, 1617, 4319},
		image.Changed:   {34, 107, 1006, 1110},
		image.Other:     {1, 5, 32, 50, 87, 112},
	} {
		for _, n := range numbers {
			if got := faultOf(fmt.Errorf("reading: %w", n)); got != fault {
				t.Errorf("error %d (%v) is %q, want %q", n, n, got, fault)
			}
		}
	}
	if got := faultOf(errors.New("of nobody")); got != image.Other {
		t.Errorf("%q", got)
	}
}

func TestListOfTexts(t *testing.T) {
	for text, want := range map[string][]string{"": nil, "\x00": nil, "C:\\\x00\x00": {`C:\`}, "a\x00b c\x00": {"a", "b c"}, "open": {"open"}} {
		u, err := windows.UTF16FromString(strings.ReplaceAll(text, "\x00", "\uFFFF"))
		if err != nil {
			t.Fatal(err)
		}
		u = u[:len(u)-1]
		for i := range u {
			if u[i] == 0xFFFF {
				u[i] = 0
			}
		}
		if got := list(u); !slices.Equal(got, want) {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}

func TestWhatToTypeForAMountedDisk(t *testing.T) {
	err := &BusyError{Path: `\\.\PhysicalDrive2`, Mounts: []string{`E:\`, `C:\a folder\`, `\\?\Volume{1}\`}}
	for _, want := range []string{"mountvol E: /P, or ", `mountvol "C:\a folder" /P`, "close every program"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not said: %v", want, err)
		}
	}
}

func TestOpenSourceRefusesWhatIsNoDisk(t *testing.T) {
	for _, path := range []string{"C:", `\\.\C:`, "old.img", os.DevNull} {
		var no *NotDeviceError
		if _, err := OpenSource(path); !errors.As(err, &no) {
			t.Errorf("%s: %v", path, err)
		}
	}
	if _, err := OpenSource(`\\.\PhysicalDrive999`); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a disk that is not there: %v", err)
	}
	if _, err := OpenTarget(`\\.\PhysicalDrive999`); !errors.Is(err, ErrNotWritten) {
		t.Errorf("a card to write: %v", err)
	}
}

// A disk and its volumes go together in a list whichever way it is asked.
func TestVolumesOfThisMachine(t *testing.T) {
	all, err := volumes()
	if err != nil || len(all) == 0 {
		t.Fatalf("%d volumes, %v", len(all), err)
	}
	name, err := volumeOfPath(`C:\Windows`)
	if err != nil || !slices.ContainsFunc(all, func(v volume) bool { return strings.EqualFold(v.name, name) }) {
		t.Errorf("C: is %q, %v; of %+v", name, err, all)
	}
	if _, err := Disks(); err != nil {
		t.Error(err)
	}
}
