package fat

import (
	"bytes"
	"strings"

	"bootgraft/image"
	"bootgraft/layout/volume"
)

// Entries implements volume.Traced. A root directory that lies outside the clusters
// is visited also where the table cannot be read.
func (v *Volume) Entries(visit func(*volume.File)) (deleted int, err error) {
	table, err := v.ActiveTable()
	if err != nil {
		if v.Kind != FAT32 {
			visit(v.root(nil))
		}
		return 0, err
	}
	walk, err := v.files(table, volume.Options{}, func(f *volume.File) error {
		visit(f)
		return nil
	})
	if err != nil {
		return 0, err
	}
	return walk.Deleted, nil
}

// Maker implements volume.Traced: BS_OEMName (FG, "Boot Sector and BPB").
func (v *Volume) Maker() string {
	b, err := image.ReadSector(v.src, 0)
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(bytes.TrimRight(b[3:11], "\x00")))
}

// SameBuild implements volume.Traced: bytes 11 to 35 of the boot sector are common to
// all kinds (FG, "Boot Sector and BPB").
func (v *Volume) SameBuild(other volume.Traced) (bool, error) {
	o, ok := other.(*Volume)
	if !ok {
		return false, nil
	}
	a, err := image.ReadSector(v.src, 0)
	if err != nil {
		return false, err
	}
	b, err := image.ReadSector(o.src, 0)
	if err != nil {
		return false, err
	}
	return bytes.Equal(a[11:36], b[11:36]), nil
}
