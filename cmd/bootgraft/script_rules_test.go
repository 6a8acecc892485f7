package main

import (
	"strconv"

	"github.com/rogpeppe/go-internal/testscript"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/compare/family"
)

// unit FAMILY SECTORS SERIAL FILE: makes the image of one unit of an invented
// model: a letter names one, a number draws one.
func scriptUnit(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 4 {
		ts.Fatalf("usage: unit FAMILY SECTORS SERIAL FILE")
	}
	n, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	serial, err := strconv.ParseUint(args[2], 10, 64)
	ts.Check(err)
	d := scriptFamily(ts, args[0]).Disk(disk.Sector(n), family.Unit{Serial: serial, Clock: serial, Songs: serial})
	ts.Check(saveSparse(d, ts.MkAbs(args[3])))
}

// starts FAMILY FILE: the invented device takes this card; ! starts: it does
// not.
func scriptStarts(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: starts FAMILY FILE")
	}
	src, err := image.Open(ts.MkAbs(args[1]), 512)
	ts.Check(err)
	defer src.Close()
	err = scriptFamily(ts, args[0]).Check(src)
	if (err != nil) != neg {
		ts.Fatalf("the device says of %s: %v", args[1], err)
	}
}

func scriptFamily(ts *testscript.TestScript, name string) *family.Family {
	for _, f := range family.Named() {
		if f.Name == name {
			return f
		}
	}
	seed, err := strconv.ParseInt(name, 10, 64)
	ts.Check(err)
	return family.Random(seed)
}
