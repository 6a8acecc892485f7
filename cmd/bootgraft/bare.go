package main

import "bootgraft/image/disk"

// schema is the version of the objects that have no head yet.
const schema = 1

type diskJSON struct {
	Sectors    disk.Sector `json:"sectors"`
	SectorSize int         `json:"sector_size"`
}
