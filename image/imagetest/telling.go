package imagetest

// Telling returns sectors of 512 bytes that are like no others.
func Telling(seed byte, sectors int) []byte {
	b := make([]byte, sectors*512)
	x := uint32(seed) + 1
	for i := range b {
		x = x*1_664_525 + 1_013_904_223
		b[i] = byte(x >> 24)
	}
	return b
}
