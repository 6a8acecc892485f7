package compare

import (
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Rivals returns the field once for every other number that it may hold on a
// card of n sectors, as if nothing else fitted the originals; each puts other
// bytes there than the first reading and than those before it. All of them stay
// undecided.
func (r *Rules) Rivals(f *Field, n disk.Sector) []Field {
	first, err := r.Answer(f, n)
	if err != nil {
		return nil
	}
	told := []Field{*f}
	bytes := [][]byte{first.Bytes}
	var out []Field
	for _, alone := range r.apart(f, n) {
		a, err := r.Answer(&alone, n)
		if err != nil {
			continue
		}
		same := false
		for i := range told {
			same = same || agree(told[i].Byte, bytes[i], alone.Byte, a.Bytes)
		}
		if !same {
			out, told, bytes = append(out, alone), append(told, alone), append(bytes, a.Bytes)
		}
	}
	return out
}

// apart returns the field once for each end of each formula of each reading, for
// the likeliest of the sizes that the device may count with.
func (r *Rules) apart(f *Field, n disk.Sector) []Field {
	var out []Field
	for _, x := range r.in(r.counts()[0], f, n) {
		w := f.Ways[x.way]
		for _, add := range []int64{x.Min, x.Max} {
			h := x.Formula
			h.Min, h.Max = add, add
			alone := Field{
				Place: f.Place, Class: f.Class, Bits: f.Bits, Doubt: "one of several readings", On: f.On,
				Ways: []Way{{w.Byte, w.Encoding, []Formula{h}}},
			}
			alone.Byte = w.Byte
			if form, err := candidate.FormOf(w.Encoding); err == nil {
				alone.Width = form.Width
			}
			out = append(out, alone)
		}
	}
	return out
}
