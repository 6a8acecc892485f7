package main

import (
	"errors"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/safety/faultdev"
)

// telling returns sectors that are like no others.
func telling(seed byte, sectors int) []byte {
	b := make([]byte, sectors*512)
	x := uint32(seed) + 1
	for i := range b {
		x = x*1_664_525 + 1_013_904_223
		b[i] = byte(x >> 24)
	}
	return b
}

func again(t *testing.T, src image.Source, volumes ...layout.Volume) disk.Sector {
	t.Helper()
	n, err := foundAgain(src, volumes)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// A card whose upper part repeats its lower part is seen by reading alone, if
// its true size is a power of two; an honest one is not accused, and neither is
// one that says too little.
func TestStartIsFoundAgain(t *testing.T) {
	const n = 1 << 18
	for _, c := range []struct {
		lie  faultdev.Lie
		real disk.Sector
		want disk.Sector
	}{
		{faultdev.Honest, n, 0}, {faultdev.Repeats, n / 2, n / 2}, {faultdev.Repeats, n / 4, n / 4}, {faultdev.Repeats, 1 << 14, 1 << 14},
		{faultdev.Forgets, n / 2, 0}, {faultdev.Noise, n / 2, 0},
	} {
		card := faultdev.New(n, 512)
		card.Lie, card.Real = c.lie, c.real
		card.Put(0, telling(1, 3))
		card.Put(8192, telling(2, 30))
		if got := again(t, card); got != c.want {
			t.Errorf("lie %d at %d: found again after %d, want %d", c.lie, c.real, got, c.want)
		}
	}
}

// Where the start of the disk says too little, its volumes may say enough; a
// record alone that is there twice is no hint.
func TestWhatIsTooLittle(t *testing.T) {
	const n = 1 << 18
	d := imagetest.New(n, 512)
	d.Put(0, telling(1, 1))
	d.Put(n/2, telling(1, 1))
	if got := again(t, d); got != 0 {
		t.Errorf("one sector that is there twice is a hint: %d", got)
	}
	d.Put(8192, telling(2, 4))
	volume := layout.Volume{Span: disk.Span{Start: 8192, Count: 20_000}}
	if got := again(t, d, volume); got != 0 {
		t.Errorf("a volume that is there once is a hint: %d", got)
	}
	d.Put(8192+n/2, telling(2, 4))
	if got := again(t, d, volume); got != n/2 {
		t.Errorf("a volume that is there twice is no hint: %d", got)
	}
	if got := again(t, imagetest.New(n, 512)); got != 0 {
		t.Errorf("a blank card is accused: %d", got)
	}
	if got := again(t, imagetest.New(1, 512)); got != 0 {
		t.Errorf("a card of one sector is accused: %d", got)
	}
}

// A read error is told.
func TestStartCannotBeRead(t *testing.T) {
	card := faultdev.New(1<<16, 512)
	card.Put(0, telling(1, 5))
	card.At, card.Fault = 3, faultdev.Fail
	if _, err := foundAgain(card, nil); !errors.As(err, new(*image.ReadError)) {
		t.Errorf("%v", err)
	}
}
