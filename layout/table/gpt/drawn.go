package gpt

import "io"

// DrawIDs takes new identifiers out of random, for the disk and for the entries of
// these indexes.
func DrawIDs(entries []int, random io.Reader) (*NewIDs, error) {
	ids := &NewIDs{Entries: map[int]GUID{}}
	var err error
	if ids.Disk, err = drawGUID(random); err != nil {
		return nil, err
	}
	for _, index := range entries {
		if ids.Entries[index], err = drawGUID(random); err != nil {
			return nil, err
		}
	}
	return ids, nil
}

// IDs returns the identifiers that a table has, of the disk and of every used entry.
func (t *Table) IDs() *NewIDs {
	ids := &NewIDs{Disk: GUID(t.InForce.Header.raw[diskGUIDAt : diskGUIDAt+16]), Entries: map[int]GUID{}}
	for i, e := range t.InForce.Entries() {
		if e.Used() {
			ids.Entries[i+1] = e.Unique
		}
	}
	return ids
}

// drawGUID draws a random GUID, version 4 (RFC 4122, 4.4).
func drawGUID(random io.Reader) (g GUID, err error) {
	if _, err := io.ReadFull(random, g[:]); err != nil {
		return g, err
	}
	// The first three groups are little-endian on the disk, so the version is in the
	// second byte of the third.
	g[7] = g[7]&0x0F | 0x40
	g[8] = g[8]&0x3F | 0x80
	return g, nil
}
