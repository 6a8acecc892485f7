package studio

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"unicode/utf16"
)

// Decoy makes n bytes that are no sound.
type Decoy func(r *rand.Rand, n int) []byte

// Decoys are all kinds, by name.
var Decoys = map[string]Decoy{
	"code": Code, "program": Program, "text": Text, "wide text": WideText, "jpeg": JPEG, "compressed": Compressed,
	"noise": Noise, "ramps": Ramps, "fat16": FAT16, "fat32": FAT32, "pointers": Pointers, "pattern": Pattern,
	"numbered": Numbered, "records": Records, "log": Log, "gray picture": Gray, "rgb picture": RGB,
	"rgb565 picture": RGB565, "floats": Floats, "erased": Erased, "font": Font, "sparse table": SparseTable,
	"counters": Counters, "sorted": Sorted,
}

// fill repeats make until there are n bytes.
func fill(n int, make func() []byte) []byte {
	out := []byte{}
	for len(out) < n {
		out = append(out, make()...)
	}
	return out[:n]
}

// Code is like the code of a 32-bit machine: opcodes of few kinds, registers, short jumps,
// addresses of one region.
func Code(r *rand.Rand, n int) []byte {
	ops := make([]byte, 24)
	for i := range ops {
		ops[i] = byte(r.IntN(256))
	}
	return fill(n, func() []byte {
		b := []byte{ops[r.IntN(1+r.IntN(len(ops)))], byte(r.IntN(8)<<3 | r.IntN(8) | 0xC0)}
		switch r.IntN(5) {
		case 0:
			b = binary.LittleEndian.AppendUint32(b, 0x08040000+uint32(r.IntN(1<<18)))
		case 1:
			b = append(b, byte(r.IntN(64)))
		case 2:
			b = append(b, 0xE8)
			b = binary.LittleEndian.AppendUint32(b, uint32(r.IntN(1<<16)-1<<15))
		}
		return b
	})
}

// Program is this very test program: code and tables that a real compiler made.
func Program(r *rand.Rand, n int) []byte {
	path, err := os.Executable()
	if err != nil {
		panic(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		panic(err)
	}
	at := r.IntN(max(1, len(b)-n))
	return fill(n, func() []byte { return b[at:] })
}

var words = bytes.Fields([]byte(`axis feed spindle the a of tool offset error pattern track punch locate
	song bank sample load save to and is not file disk drive unit tempo measure level pan mute solo X Y Z G1 F200`))

// Text is words and lines.
func Text(r *rand.Rand, n int) []byte {
	return fill(n, func() []byte {
		end := []byte{' '}
		if r.IntN(9) == 0 {
			end = []byte("\r\n")
		}
		return append(bytes.Clone(words[r.IntN(len(words))]), end...)
	})
}

// WideText is UTF-16.
func WideText(r *rand.Rand, n int) []byte {
	return fill(n, func() []byte {
		var b []byte
		for _, u := range utf16.Encode([]rune(string(Text(r, 64)))) {
			b = binary.LittleEndian.AppendUint16(b, u)
		}
		return b
	})
}

// Log is lines of numbers that change slowly.
func Log(r *rand.Rand, n int) []byte {
	x, t := 100.0, r.IntN(1<<20)
	return fill(n, func() []byte {
		x += r.NormFloat64()
		t++
		return fmt.Appendf(nil, "%08d;%9.3f;%9.3f;OK\n", t, x, 2*x)
	})
}

// Compressed is text after DEFLATE.
func Compressed(r *rand.Rand, n int) []byte {
	return fill(n, func() []byte {
		var b bytes.Buffer
		w, _ := flate.NewWriter(&b, 6)
		w.Write(Text(r, 64<<10))
		w.Close()
		return b.Bytes()
	})
}

// Noise is random bytes.
func Noise(r *rand.Rand, n int) []byte {
	return fill(n, func() []byte { return binary.LittleEndian.AppendUint64(nil, r.Uint64()) })
}

// Erased is FF, with a few words written.
func Erased(r *rand.Rand, n int) []byte {
	b := bytes.Repeat([]byte{0xFF}, n)
	for range n / 2048 {
		binary.LittleEndian.PutUint32(b[r.IntN(n-4):], r.Uint32())
	}
	return b
}

// Ramps count up or down in every width and order, by steps of all sizes.
func Ramps(r *rand.Rand, n int) []byte {
	return fill(n, func() []byte {
		width, step, x := 1+r.IntN(4), uint32(r.IntN(1<<(1+r.IntN(12))))+1, r.Uint32()
		big, saw := r.IntN(2) == 0, uint32(0)
		if r.IntN(2) == 0 {
			saw = 1 << (4 + r.IntN(16))
		}
		var b []byte
		for range (16 << 10) + r.IntN(256<<10) {
			if x += step; saw > 0 {
				x %= saw
			}
			if big {
				b = append(b, binary.BigEndian.AppendUint32(nil, x)[4-width:]...)
			} else {
				b = append(b, binary.LittleEndian.AppendUint32(nil, x)[:width]...)
			}
		}
		return b
	})
}

// chain is an allocation table: mostly the next cluster, sometimes an end, a free run or a jump.
func chain(r *rand.Rand, n int, put func(b []byte, x uint32) []byte) []byte {
	next, free := uint32(2), 0
	return fill(n, func() []byte {
		next++
		switch k := r.IntN(400); {
		case free > 0:
			free--
			return put(nil, 0)
		case k == 0:
			return put(nil, 0x0FFFFFFF)
		case k == 1:
			free = r.IntN(200)
		case k < 6:
			return put(nil, next+uint32(r.IntN(4000)))
		}
		return put(nil, next)
	})
}

// FAT16 is a table of 16-bit clusters.
func FAT16(r *rand.Rand, n int) []byte {
	return chain(r, n, func(b []byte, x uint32) []byte { return binary.LittleEndian.AppendUint16(b, uint16(x)) })
}

// FAT32 is a table of 32-bit clusters.
func FAT32(r *rand.Rand, n int) []byte { return chain(r, n, binary.LittleEndian.AppendUint32) }

// Pointers are big-endian starts and lengths.
func Pointers(r *rand.Rand, n int) []byte {
	at := uint32(r.IntN(1 << 20))
	return fill(n, func() []byte {
		long := uint32(1 + r.IntN(500))
		at += long
		return binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, at-long), long)
	})
}

// Pattern repeats a few bytes.
func Pattern(r *rand.Rand, n int) []byte {
	p := []byte{0xF6}
	if r.IntN(2) == 0 {
		p = Noise(r, 1+r.IntN(16))
	}
	return bytes.Repeat(p, n/len(p)+1)[:n]
}

// Numbered has the number of each sector all over it.
func Numbered(r *rand.Rand, n int) []byte {
	at := uint32(r.IntN(1 << 24))
	return fill(n, func() []byte {
		at++
		return bytes.Repeat(binary.LittleEndian.AppendUint32(nil, at), 128)
	})
}

// Records are lines of a table of one length: a number, a name, flags, a value.
func Records(r *rand.Rand, n int) []byte {
	long := 16 + 4*r.IntN(13)
	id := uint32(0)
	return fill(n, func() []byte {
		id++
		b := make([]byte, long)
		binary.LittleEndian.PutUint16(b, uint16(id))
		copy(b[2:10], words[r.IntN(len(words))])
		b[10] = byte(1 << r.IntN(8))
		binary.BigEndian.PutUint32(b[12:], uint32(r.IntN(100000)))
		return b
	})
}

// Counters are several of them side by side, which step at different times, with a little
// noise in their last bits: the log of a machine.
func Counters(r *rand.Rand, n int) []byte {
	var x [8]uint16
	return fill(n, func() []byte {
		var b []byte
		for i := range x {
			x[i] += uint16(r.IntN(1 << (i / 2)))
			b = binary.LittleEndian.AppendUint16(b, x[i])
		}
		return b
	})
}

// Sorted is a list of numbers in ascending order.
func Sorted(r *rand.Rand, n int) []byte {
	x := uint32(0)
	return fill(n, func() []byte {
		x += uint32(r.ExpFloat64() * 300)
		return binary.LittleEndian.AppendUint32(nil, x)
	})
}

// SparseTable is mostly zeros.
func SparseTable(r *rand.Rand, n int) []byte {
	return fill(n, func() []byte {
		b := make([]byte, 32)
		if r.IntN(3) == 0 {
			binary.LittleEndian.PutUint16(b[r.IntN(16)*2:], uint16(r.IntN(1000)))
		}
		return b
	})
}

// Font is letters of one bit a dot.
func Font(r *rand.Rand, n int) []byte {
	return fill(n, func() []byte {
		b := make([]byte, 16)
		for i := 2; i < 14; i++ {
			b[i] = byte(0x18) << r.IntN(3) >> r.IntN(3)
		}
		return b
	})
}

// Floats are 32-bit numbers of curves and parameters.
func Floats(r *rand.Rand, n int) []byte {
	t := r.Float64()
	return fill(n, func() []byte {
		t += 0.01
		b := binary.LittleEndian.AppendUint32(nil, math.Float32bits(float32(100*math.Sin(t))))
		return binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(r.IntN(1000))/10))
	})
}

// picture is hills of light of all sizes, from 0 to 1, with grain and an edge.
func picture(r *rand.Rand, wide, high int) func(x, y int) float64 {
	const waves = 12
	type pair struct{ sin, cos float64 }
	across, down := make([]pair, waves*wide), make([]pair, waves*high)
	for i := range waves {
		f := math.Pow(2, float64(i)/2)
		u, v, p := f*r.NormFloat64()*3, f*r.NormFloat64()*3, 6*r.Float64()
		for x := range wide {
			sin, cos := math.Sincos(u*float64(x)/float64(wide) + p)
			across[x*waves+i] = pair{0.12 / f * sin, 0.12 / f * cos}
		}
		for y := range high {
			sin, cos := math.Sincos(v * float64(y) / float64(high))
			down[y*waves+i] = pair{sin, cos}
		}
	}
	grain := 0.002 + 0.02*r.Float64()
	level := 0.3 + 0.4*r.Float64()
	edge := r.IntN(wide)
	return func(x, y int) float64 {
		s := level
		for i := range waves {
			a, d := across[x*waves+i], down[y*waves+i]
			s += a.sin*d.cos + a.cos*d.sin
		}
		if x > edge {
			s -= 0.2
		}
		return min(1, max(0, s+grain*(r.Float64()+r.Float64()+r.Float64()-1.5)))
	}
}

// Gray is pictures of 8 bits a dot.
func Gray(r *rand.Rand, n int) []byte {
	return fill(n, func() []byte {
		wide, high := 160+16*r.IntN(40), 120+r.IntN(400)
		p := picture(r, wide, high)
		b := make([]byte, 0, wide*high)
		for y := range high {
			for x := range wide {
				b = append(b, byte(255*p(x, y)))
			}
		}
		return b
	})
}

// RGB is pictures of three bytes a dot.
func RGB(r *rand.Rand, n int) []byte {
	return fill(n, func() []byte {
		wide, high := 160+16*r.IntN(40), 120+r.IntN(200)
		red, green, blue := picture(r, wide, high), picture(r, wide, high), picture(r, wide, high)
		b := make([]byte, 0, 3*wide*high)
		for y := range high {
			for x := range wide {
				g := green(x, y)
				b = append(b, byte(127*(red(x, y)+g)), byte(255*g), byte(127*(blue(x, y)+g)))
			}
		}
		return b
	})
}

// RGB565 is pictures for a small screen.
func RGB565(r *rand.Rand, n int) []byte {
	return fill(n, func() []byte {
		red, green, blue := picture(r, 320, 240), picture(r, 320, 240), picture(r, 320, 240)
		var b []byte
		for y := range 240 {
			for x := range 320 {
				u := uint16(31*red(x, y))<<11 | uint16(63*green(x, y))<<5 | uint16(31*blue(x, y))
				b = binary.LittleEndian.AppendUint16(b, u)
			}
		}
		return b
	})
}

// JPEG is pictures as cameras keep them.
func JPEG(r *rand.Rand, n int) []byte {
	return fill(n, func() []byte {
		p := picture(r, 320, 240)
		img := image.NewGray(image.Rect(0, 0, 320, 240))
		for y := range 240 {
			for x := range 320 {
				img.SetGray(x, y, color.Gray{Y: byte(255 * p(x, y))})
			}
		}
		var b bytes.Buffer
		if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: 60 + r.IntN(40)}); err != nil {
			panic(err)
		}
		return b.Bytes()
	})
}
