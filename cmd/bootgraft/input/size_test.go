package input

import (
	"testing"

	"bootgraft/cmd/bootgraft/talk"
)

func TestSizes(t *testing.T) {
	for _, c := range []struct {
		text    string
		sectors int64
		nominal bool
	}{
		{"39070080s", 39070080, false}, {"20003880960", 39070080, false}, {"16GB", 31250000, true},
		{"16GiB", 33554432, false}, {"1,000s", 1000, false}, {"512", 1, false}, {"1.5GB", 2929687, true}, {"614,400s", 614400, false}, {"20,003,880,960", 39070080, false}, {"1,000.5kB", 1954, true}, {"0.5MiB", 1024, false},
		{"16gb", 31250000, true}, {"16 GB", 31250000, true}, {" 16 gib ", 33554432, false}, {"39070080 sectors", 39070080, false},
		{"39070080S", 39070080, false}, {"1 sector", 1, false}, {"614400B", 1200, false}, {"614400 bytes", 1200, false},
	} {
		got, err := ParseSize(c.text, 512)
		if err != nil || int64(got.Sectors) != c.sectors || got.Nominal != c.nominal {
			t.Errorf("%s: %+v %v, want %d sectors, nominal %v", c.text, got, err, c.sectors, c.nominal)
		}
	}
	for _, bad := range []string{"", "s", "GB", "-5s", "0", "1e9", "12x", "513", "99999999999999999999", "9999999999999TB", "NaNGB", "InfGB", "1.5s",
		"1,5GB", "1,50GB", "1,5000s", ",500s", "1,,000s", "1000,000s", "1,000,00s", "-1,000s", "1,", "1,000.5",
		"16G", "16g", "16 M", "k", "1.5T", "513B", "16bytess", "G"} {
		if got, err := ParseSize(bad, 512); talk.ExitCode(err) != talk.ExitUsage {
			t.Errorf("%q is taken as %+v (%v)", bad, got, err)
		}
	}
}
