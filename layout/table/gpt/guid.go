package gpt

import (
	"encoding/binary"
	"fmt"
)

// GUID is an identifier as it lies on the disk: the first three groups of its
// text are little-endian there.
type GUID [16]byte

// String writes the GUID in upper case: 00112233-4455-6677-8899-AABBCCDDEEFF.
func (g GUID) String() string {
	le := binary.LittleEndian
	return fmt.Sprintf("%08X-%04X-%04X-%04X-%012X", le.Uint32(g[0:]), le.Uint16(g[4:]), le.Uint16(g[6:]), g[8:10], g[10:])
}

// Zero tells whether the GUID is all zeros, as the type of an unused entry is.
func (g GUID) Zero() bool { return g == GUID{} }

// typeName names a partition type in plain words, or returns "".
func typeName(g GUID) string { return typeNames[g.String()] }

var typeNames = map[string]string{
	"C12A7328-F81F-11D2-BA4B-00A0C93EC93B": "EFI system",
	"024DEE41-33E7-11D3-9D69-0008C781F39F": "MBR partition scheme",
	"21686148-6449-6E6F-744E-656564454649": "BIOS boot",
	"EBD0A0A2-B9E5-4433-87C0-68B6B72699C7": "basic data",
	"E3C9E316-0B5C-4DB8-817D-F92DF00215AE": "reserved",
	"5808C8AA-7E8F-42E0-85D2-E1E90434CFB3": "LDM metadata",
	"AF9B60A0-1431-4F62-BC68-3311714A69AD": "LDM data",
	"0FC63DAF-8483-4772-8E79-3D69D8477DE4": "Linux",
	"0657FD6D-A4AB-43C4-84E5-0933C84B4F4F": "Linux swap",
	"933AC7E1-2EB4-4F13-B844-0E14E2AEF915": "Linux home",
	"A19D880F-05FC-4D3B-A006-743F0F84911E": "Linux RAID",
	"E6D6D379-F507-44C2-A23C-238F2A3DF928": "Linux LVM",
	"4F68BCE3-E8CD-4DB1-96E7-FBCAF984B709": "Linux root, x86-64",
	"48465300-0000-11AA-AA11-00306543ECAC": "HFS/HFS+",
}
