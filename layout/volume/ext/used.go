package ext

import (
	"fmt"
	"math/bits"

	"bootgraft/image/disk"
)

// maxRuns bounds the runs that Used returns: 64 MiB of them, by hand, no source.
const maxRuns = 1 << 22

// Used returns the sectors of the volume in use, metadata included, as the
// allocation bitmaps say. The block before the first data block, which holds
// boot code, counts as used. Of a volume with more than 4 million runs the
// shortest gaps count as used too.
//
// A bitmap that cannot be read is an error: what is not known to be free must
// not be taken for it.
func (v *Volume) Used() (disk.Spans, error) {
	if err := v.walkable(); err != nil {
		return nil, err
	}
	r := v.blocks()
	u := &usage{limit: maxRuns, span: disk.NewSpans(v.span(0, v.first))}
	for g := range v.groups {
		if v.firstBlock(g) >= v.present() {
			break // cut off; Read has said so
		}
		d, err := r.group(g)
		if err != nil {
			return nil, err
		}
		runs, err := v.groupUsed(r, g, d)
		if err != nil {
			return nil, err
		}
		for _, s := range runs {
			u.add(s)
		}
	}
	return u.span, nil
}

// groupUsed returns the runs in use of one group. A bitmap that was never
// written counts for nothing; but where a copy of the descriptor says so that
// may be long past, and both views count.
func (v *Volume) groupUsed(r *blocks, g uint64, d group) (disk.Spans, error) {
	var runs disk.Spans
	if d.flags&blockUninit != 0 && (v.ro(roGdtCsum) || v.ro(roMetadataCsum)) {
		runs = v.uninitialised(g, d)
		if !d.copied {
			return runs, nil
		}
	}
	b, err := r.read(d.blockBitmap)
	if err != nil {
		return nil, fmt.Errorf("block bitmap of group %d: %w", g, err)
	}
	return runs.Union(v.bitmap(g, b)), nil
}

// groupBlocks returns how many blocks group g has: fewer in the last one.
func (v *Volume) groupBlocks(g uint64) uint64 {
	return min(v.perGroup, v.Blocks-v.firstBlock(g))
}

// bitmap returns the runs of set bits, one bit a cluster (bitmaps.rst).
func (v *Volume) bitmap(g uint64, b []byte) disk.Spans {
	var out disk.Spans
	first, count := v.firstBlock(g), v.groupBlocks(g)
	clusters := (count + v.ratio - 1) / v.ratio
	for i := nextBit(b, 0, clusters, true); i < clusters; {
		end := nextBit(b, i, clusters, false)
		out = append(out, v.span(first+i*v.ratio, min(end*v.ratio, count)-i*v.ratio))
		i = nextBit(b, end, clusters, true)
	}
	return out
}

// nextBit returns the first bit from i that is as wanted, or end.
func nextBit(b []byte, i, end uint64, want bool) uint64 {
	for i < end {
		x := b[i/8]
		if !want {
			x = ^x
		}
		if x >>= i % 8; x != 0 {
			return min(end, i+uint64(bits.TrailingZeros8(x)))
		}
		i = (i/8 + 1) * 8
	}
	return end
}

// uninitialised returns what a group holds whose bitmap was never written: its
// own metadata (group_descr.rst, BLOCK_UNINIT).
func (v *Volume) uninitialised(g uint64, d group) disk.Spans {
	own := v.span(v.firstBlock(g), v.groupBlocks(g))
	var in []disk.Span
	cluster := func(block, count uint64) {
		from := (block - v.first) / v.ratio * v.ratio
		to := (block - v.first + count + v.ratio - 1) / v.ratio * v.ratio
		in = append(in, v.span(v.first+from, to-from).Common(own))
	}
	if n := v.groupHead(g); n > 0 {
		cluster(v.firstBlock(g), n)
	}
	cluster(d.blockBitmap, 1)
	cluster(d.inodeBitmap, 1)
	cluster(d.inodeTable, uint64((int64(v.inodesPer)*v.inodeSize+v.BlockSize-1)/v.BlockSize))
	return disk.NewSpans(in...)
}

// groupHead returns how many blocks at the start of group g hold a superblock
// and descriptors, those kept for growth included (blockgroup.rst).
func (v *Volume) groupHead(g uint64) uint64 {
	super := uint64(0)
	if v.hasSuper(g) {
		super = 1 + v.bootBlock(g)
	}
	meta := g / v.descsPerBlock()
	if v.inMetaBG(meta) {
		switch g % v.descsPerBlock() {
		case 0, 1, v.descsPerBlock() - 1:
			return super + 1
		}
		return super
	}
	if super == 0 {
		return 0
	}
	descs := (v.groups + v.descsPerBlock() - 1) / v.descsPerBlock()
	if v.incompat(incompatMetaBG) {
		descs = min(descs, v.firstMetaBG)
	}
	return super + descs + v.reservedGDT
}

// usage collects runs in ascending order and keeps their number bounded.
type usage struct {
	span  disk.Spans
	limit int
	gap   disk.Sector // gaps up to this many sectors are closed
}

func (u *usage) add(s disk.Span) {
	if n := len(u.span); n > 0 && s.Start <= u.span[n-1].End()+u.gap {
		u.span[n-1].Count = max(u.span[n-1].Count, s.End()-u.span[n-1].Start)
		return
	}
	for len(u.span) >= u.limit {
		u.coarsen()
	}
	u.span = append(u.span, s)
}

// coarsen closes gaps of growing length until half of the runs are left.
func (u *usage) coarsen() {
	for len(u.span) > u.limit/2 {
		u.gap = max(1, 2*u.gap)
		out := u.span[:1]
		for _, s := range u.span[1:] {
			if last := &out[len(out)-1]; s.Start <= last.End()+u.gap {
				last.Count = s.End() - last.Start
			} else {
				out = append(out, s)
			}
		}
		u.span = out
	}
}
