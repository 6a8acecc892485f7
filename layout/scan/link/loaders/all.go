package loaders

// Each returns every step-th invented loader of a seed whose number fits its encoding: each
// encoding and unit from each holder to each target, with the files first and last.
func Each(step int, seed uint64) (out []*Loader) {
	for i, s := range shapes() {
		if i%step != int(seed%uint64(step)) {
			continue
		}
		s.Seed = seed
		if l, err := New(s); err == nil {
			out = append(out, l)
		}
	}
	return out
}

func shapes() (out []Shape) {
	codings := []Coding{LE32, BE32, Words, WordsL, LE64, LE24, BE24, LE16, BE16, CHS}
	for _, h := range []Holder{Sector0, Gap, BootSector, MapFile} {
		for _, t := range []Target{File, SecondOf, Tail, GapStage} {
			for _, c := range codings {
				for _, u := range []Unit{Sectors, KiB, TwoKiB, FourKiB, FromEntry, Clusters} {
					for _, last := range []bool{false, true} {
						s := Shape{Holder: h, Target: t, Coding: c, Unit: u, Last: last, Length: weak(h, c)}
						if sensible(s) {
							out = append(out, s)
						}
					}
				}
			}
		}
	}
	return out
}

// weak tells whether a number says too little alone: chance makes such numbers in
// every second disk, so these loaders have the length beside it.
func weak(h Holder, c Coding) bool {
	return h != Sector0 || c == LE24 || c == BE24 || c == LE16 || c == BE16 || c == CHS
}

// sensible leaves out what no code could mean.
func sensible(s Shape) bool {
	switch {
	case s.Coding == CHS && s.Unit != Sectors:
		return false
	case s.Unit == Clusters && (s.Target == Tail || s.Target == GapStage):
		return false // no cluster lies there
	case s.Unit == FromEntry && s.Target == GapStage:
		return false // before the entry
	case s.Last && s.Target != File && s.Target != SecondOf:
		return false // no file
	case s.Target == GapStage && (s.Coding == LE16 || s.Coding == BE16 || s.Coding == LE24 || s.Coding == BE24 ||
		s.Coding == CHS):
		return false // a small number of two bytes stands everywhere
	}
	return true
}
