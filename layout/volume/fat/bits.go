package fat

// bitset holds one bit a cluster.
type bitset []uint64

func newBitset(n uint32) bitset { return make(bitset, (uint64(n)+63)/64) }

func (b bitset) has(c uint32) bool { return b[c/64]&(1<<(c%64)) != 0 }

// set adds c and tells whether it is new.
func (b bitset) set(c uint32) bool {
	if b.has(c) {
		return false
	}
	b[c/64] |= 1 << (c % 64)
	return true
}
