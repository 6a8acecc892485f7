package compare

import (
	"encoding/binary"
	"errors"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

func headPlace(sector disk.Sector, at int) candidate.Place {
	return candidate.Place{From: layout.FromStart, Sector: sector, Byte: at}
}

// twoHeads is a disk whose sectors 0 and 1 both name its size in byte 12.
func twoHeads(n disk.Sector) *imagetest.Disk {
	d := imagetest.New(n, 512)
	b := make([]byte, 512)
	binary.BigEndian.PutUint32(b[12:], uint32(n))
	d.Put(0, b)
	d.Put(1, b)
	return d
}

// sizeAt is the rule that a place names the number of sectors.
func sizeAt(p candidate.Place) Field {
	return Field{Place: p, Class: Size, Width: 4, Bits: 99,
		Ways: []Way{{p.Byte, "be32", []Formula{{Times: 1, Of: 1, Per: 1}}, 0}}}
}

// TestRulesThatCannotBeFollowed: rules that want two things of one byte, and
// checksums of which none can be computed first, are refused by name.
func TestRulesThatCannotBeFollowed(t *testing.T) {
	whole := func(at int) Check {
		return Check{Place: headPlace(0, at), Width: 2, Bits: 99, Ways: []SumWay{
			{Sum: "sum16-le", Encoding: "le16", Byte: at, Start: headPlace(0, 0), Count: 512, Order: image.Plain}}}
	}
	for code, r := range map[disk.Code]*Rules{
		disk.RulesChecksCircle: {Checks: []Check{whole(100), whole(200)}},
		disk.RulesContradict: {
			Fields: []Field{sizeAt(headPlace(1, 12))}, // the copy follows the size, and what it copies does not
			Copies: []CopyRule{{Repeat: candidate.Repeat{Of: headPlace(0, 0), To: headPlace(1, 0), Count: 1, Order: image.Plain}}},
		},
	} {
		r.SectorSize, r.Head, r.Tail = 512, 4, 4
		_, err := Apply(r, twoHeads(60_000), 70_000)
		var refused *RefusedError
		if !errors.As(err, &refused) || refused.Code != code {
			t.Errorf("%s: %v", code, err)
		}
	}
}

// TestCarriedBytesAreTold: what differs between the originals and has no rule
// goes to the card as the source has it, and is told by its class.
func TestCarriedBytesAreTold(t *testing.T) {
	r := &Rules{SectorSize: 512, Head: 4, Tail: 4, Carried: []Stretch{
		{headPlace(0, 40), 4, Volatile}, {headPlace(0, 50), 8, Unknown},
	}}
	out, err := Apply(r, twoHeads(60_000), 70_000)
	if err != nil {
		t.Fatal(err)
	}
	for _, code := range []disk.Code{disk.RulesCarriedVolatile, disk.RulesCarriedUnknown} {
		if !slices.Contains(imagetest.Codes(out.Findings), string(code)) {
			t.Errorf("no %s among %v", code, out.Findings)
		}
	}
}
