package boot_test

import (
	"context"
	"fmt"
	"testing"

	"bootgraft/image"
	"bootgraft/layout/boot"
	"bootgraft/layout/compare/family"
)

func look(t testing.TB, src image.Source, areas []boot.Area) *boot.Report {
	t.Helper()
	r, err := boot.Look(context.Background(), src, areas)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestShow(t *testing.T) {
	for _, f := range family.Named() {
		d := f.Disk(family.NamedSizes()[0], family.Unit{Serial: 1, Clock: 2, Songs: 3})
		r := look(t, d, boot.Ends(d))
		fmt.Println("=====", f.Name, image.Sectors(d), len(r.Structures))
		for _, n := range f.Numbers {
			fmt.Println("   want", n.Sector, n.Byte, n.FromEnd, n.Kind, n.Of(int64(image.Sectors(d))))
		}
		for _, x := range r.Fields {
			fmt.Printf("   field %+v\n", x)
		}
		for _, x := range r.Truths() {
			ok, err := x.Holds(d)
			fmt.Println("  ", x.Code(), x, ok, err)
		}
		fmt.Printf("   orders %+v\n   strings %+v\n  records %+v\n", r.Orders, r.Strings, r.Records)
	}
}
