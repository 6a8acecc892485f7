package blockdev

import (
	"cmp"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// plist is the dictionary of a property list of macOS in its XML form (plist(5)): texts,
// numbers as texts, and true and false so. Lists and dictionaries in it are left out.
type plist map[string]string

// plistMost is the most of an answer that is read, in bytes: by hand, no source. What
// diskutil tells of one disk takes some 5,000.
const plistMost = 1 << 20

var errNoPlist = errors.New("it is no property list with a dictionary")

// readPlist reads the dictionary of a property list.
func readPlist(r io.Reader) (plist, error) {
	d := xml.NewDecoder(io.LimitReader(r, plistMost))
	for depth := 0; ; {
		t, err := d.Token()
		if err != nil {
			return nil, fmt.Errorf("%w (%w)", errNoPlist, err)
		}
		start, ok := t.(xml.StartElement)
		switch {
		case !ok:
		case depth == 0 && start.Name.Local == "plist":
			depth++
		case depth == 1 && start.Name.Local == "dict":
			out, err := readDict(d)
			if err != nil {
				return nil, fmt.Errorf("%w (%w)", errNoPlist, err)
			}
			return out, nil
		default:
			return nil, errNoPlist
		}
	}
}

func readDict(d *xml.Decoder) (plist, error) {
	out := plist{}
	key := ""
	for {
		t, err := d.Token()
		if err != nil {
			return nil, err
		}
		switch e := t.(type) {
		case xml.EndElement: // of the dictionary: the others end below
			return out, nil
		case xml.StartElement:
			switch name := e.Name.Local; name {
			case "key", "string", "integer", "real", "date":
				var text string
				if err := d.DecodeElement(&text, &e); err != nil {
					return nil, err
				}
				if name == "key" {
					key = text
				} else {
					out[key] = text
				}
			case "true", "false":
				out[key] = name
				fallthrough
			default:
				if err := d.Skip(); err != nil {
					return nil, err
				}
			}
		}
	}
}

// The keys are those of diskutil info -plist, from memory.

func (p plist) identity() image.Identity {
	id := image.Identity{
		Model:     strings.TrimSpace(strings.Map(printable, cmp.Or(p["IORegistryEntryName"], p["MediaName"]))),
		Removable: p["RemovableMedia"] == "true" || p["Ejectable"] == "true",
	}
	id.Model = strings.TrimSuffix(id.Model, " Media")
	switch bus := p["BusProtocol"]; bus {
	case "USB":
		id.Bus = "usb"
	case "SATA", "ATA", "ATAPI":
		id.Bus = "ata"
	case "Secure Digital":
		id.Bus = "mmc"
	case "PCI-Express", "Apple Fabric":
		id.Bus = "nvme"
	default:
		id.Bus = strings.ToLower(strings.Map(printable, bus))
	}
	return id
}

// sectorSize returns the logical sector size in bytes.
func (p plist) sectorSize() int {
	n, err := strconv.Atoi(p["DeviceBlockSize"])
	if err != nil || image.CheckSectorSize(n) != nil {
		return 512
	}
	return n
}

// sectors returns the size, 0 if it is not told.
func (p plist) sectors() disk.Sector {
	n, err := strconv.ParseInt(cmp.Or(p["TotalSize"], p["Size"]), 10, 64)
	if err != nil {
		return 0
	}
	return disk.Sector(max(n, 0) / int64(p.sectorSize()))
}

func (p plist) readOnly() bool { return p["WritableMedia"] == "false" }
