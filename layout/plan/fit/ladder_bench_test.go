package fit

import (
	"context"
	"encoding/binary"
	"hash/crc32"
	"testing"
	"time"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/rule/candidate"
)

// BenchmarkLadder plans a card of an unknown disk whose header may name the size four
// times, with a head and a tail of 1 MiB, and tells what the list of tries takes
// beside the plan of the card as it is.
func BenchmarkLadder(b *testing.B) {
	const n, size, area = 39_070_080, 31_266_816, 2048
	src := imagetest.New(n, 512)
	disks.Noise(src, at(8, 4), 7)
	disks.Noise(src, at(n-9, 8), 8)
	head := make([]byte, 512)
	copy(head, "INVENTED RECORDER WITH A HEADER OF ITS OWN")
	for i := range 4 {
		binary.BigEndian.PutUint32(head[64+16*i:], uint32(n-i%2))
	}
	binary.LittleEndian.PutUint32(head[508:], crc32.ChecksumIEEE(head[:508]))
	src.Put(0, head)
	src.Put(n-1, head)
	report, err := candidate.Look(context.Background(), src, []candidate.Area{
		{Span: at(0, area), From: layout.FromStart}, {Span: at(n-area, area), From: layout.FromEnd}})
	if err != nil {
		b.Fatal(err)
	}
	s := survey(b, src)
	plans := func(fields []layout.Field) (took time.Duration, tries int) {
		begun := time.Now()
		w := Wishes{Target: plan.Size{Sectors: size, SectorSize: 512}, Fields: fields,
			Accept: []disk.Code{disk.CopyLeftBehind}}
		if fields != nil {
			w.Invariants = report.Invariants()
		}
		p, err := Plan(b.Context(), src, s, w)
		if err != nil {
			b.Fatal(err)
		}
		_, further := rungs(p.Findings)
		return time.Since(begun), len(further)
	}
	for b.Loop() {
		plain, _ := plans(nil)
		all, tries := plans(report.Fields)
		if tries < 3 {
			b.Fatalf("%d tries of %d numbers", tries, len(report.Fields))
		}
		b.ReportMetric(float64(tries), "tries")
		b.ReportMetric(all.Seconds()/plain.Seconds(), "times-the-plan-alone")
		b.ReportMetric(all.Seconds(), "s")
	}
}
