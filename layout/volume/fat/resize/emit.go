package resize

import (
	"encoding/binary"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// Emit hands the pieces of the volume to a sink, in their order, from sector 0
// to its end. It reads the source as it goes, so that no more than 2 MiB of
// rendered bytes lie in memory at once. It may be called more than once; after
// Copied it hands on what was made then.
func (r *Result) Emit(to volume.Sink) error {
	if t := r.tape; t != nil {
		r.tape = nil
		t.play(to)
		return nil
	}
	return r.emit(to)
}

func (r *Result) emit(to volume.Sink) error {
	e := &emitter{job: r.job, sink: to, refs: r.job.refs}
	e.reserved()
	if err := e.tables(); err != nil {
		return fmt.Errorf("making the allocation tables: %w", err)
	}
	e.root()
	e.data()
	if e.err != nil {
		return fmt.Errorf("making the directories: %w", e.err)
	}
	return nil
}

type emitter struct {
	*job
	sink volume.Sink
	refs []ref // still to come
	err  error

	mark   []byte    // a sector full of marks of the slack, if there are any
	marked disk.Span // card sectors that hold a run of them
}

// reserved emits the sectors before the first table.
func (e *emitter) reserved() {
	at := disk.Sector(0)
	for _, p := range e.boot {
		e.plain(disk.Between(at, p.at), at)
		e.sink.Render(p.at, p.data, e.why(layout.WhyVolume), p.rank)
		at = p.at + 1
	}
	e.plain(disk.Between(at, e.from.Reserved.End()), at)
	e.sink.Zero(disk.Between(e.from.Reserved.End(), e.to.Reserved.End()), layout.WhyVolume, layout.RankData)
}

// plain copies sectors that keep their place.
func (e *emitter) plain(s disk.Span, from disk.Sector) {
	e.sink.Copy(s, from, layout.WhyUnchanged, layout.RankData)
}

// why gives the reason for bytes that are made new.
func (j *job) why(r layout.Reason) layout.Reason {
	if j.w.Empty {
		return layout.WhyEmptied
	}
	return r
}

// moved gives the reason for a copy from one sector to another.
func moved(at, from disk.Sector) layout.Reason {
	if at == from {
		return layout.WhyUnchanged
	}
	return layout.WhyVolumeMoved
}

// root emits the fixed root directory.
func (e *emitter) root() {
	if e.w.Empty && !e.from.Root.Empty() {
		e.emptyRoot(e.from.Root, e.to.Root)
		return
	}
	e.copy(e.to.Root, e.from.Root.Start)
}

// copy copies sectors of directories and files, and makes those new in which
// an entry names a moved cluster.
func (e *emitter) copy(s disk.Span, from disk.Sector) {
	why := moved(s.Start, from)
	for len(e.refs) > 0 && e.refs[0].at < s.End() {
		at := e.refs[0].at
		e.sink.Copy(disk.Between(s.Start, at), from, why, layout.RankData)
		e.sink.Render(at, e.patched(at), layout.WhyVolume, layout.RankData)
		from += at + 1 - s.Start
		s = disk.Between(at+1, s.End())
	}
	e.sink.Copy(s, from, why, layout.RankData)
}

// patched returns the sector of a directory that lies at a card sector, with
// the new numbers of moved clusters.
func (e *emitter) patched(at disk.Sector) []byte {
	b, err := image.ReadSector(e.v.Source(), e.refs[0].from)
	if err != nil {
		e.err = err
		b = make([]byte, e.size)
	}
	for ; len(e.refs) > 0 && e.refs[0].at == at; e.refs = e.refs[1:] {
		r := (*fat.Raw)(b[e.refs[0].offset:])
		r.SetCluster(e.old.Kind, e.refs[0].cluster)
	}
	return b
}

// data emits the clusters and what lies behind the last of them.
func (e *emitter) data() {
	to := &e.to
	for s, carried := range e.carried {
		span := to.Clusters(s.first, s.count)
		from := s.first
		if s.fate == comes {
			from = s.from
		}
		switch {
		case e.w.Empty && s.fate != free:
			e.emptied(from, s.count, span)
		case carried:
			e.copy(span, e.from.Clusters(from, s.count).Start)
		default:
			e.sink.Leave(span, layout.WhyVolumeFree, layout.RankData)
		}
	}
	e.rest(disk.Between(to.Clusters(2, e.new.Clusters).End(), to.Total))
}

// rest emits what is left of the volume after its last whole cluster. No table
// calls that free: where it keeps its place it is carried. What nobody knows of
// it goes with the files of a volume that was to become empty.
func (e *emitter) rest(s disk.Span) {
	at := s.Start
	if !e.resized() {
		kept := s.Common(disk.Span{Count: e.whole()})
		var lost disk.Spans
		if e.w.Empty {
			lost = image.Unknown(e.v.Source(), kept)
		}
		for _, part := range lost.Outside(kept) {
			e.sink.Leave(disk.Between(at, part.Start), layout.WhyVolumeFree, layout.RankData)
			e.plain(part, part.Start)
			at = part.End()
		}
	}
	e.sink.Leave(disk.Between(at, s.End()), layout.WhyVolumeFree, layout.RankData)
}

// emptyRoot emits a root directory that holds the label, and files that stay, at most.
func (e *emitter) emptyRoot(from, at disk.Span) {
	if b := e.rootEntries(from); len(b) > 0 {
		e.sink.Render(at.Start, b, layout.WhyEmptied, layout.RankData)
		at = disk.Between(at.Start+disk.Sector(int64(len(b))/e.size), at.End())
	}
	e.sink.Zero(at, layout.WhyEmptied, layout.RankData)
}

// label returns the entry of the label in the first run of a root directory,
// or nothing.
func (e *emitter) label(from disk.Span) []byte {
	for x := from.Start; x < from.End(); x++ {
		b, err := image.ReadSector(e.v.Source(), x)
		if err != nil {
			return nil
		}
		if label, goesOn := fat.LabelEntry(b); !goesOn {
			return label
		}
	}
	return nil
}

// zero tells whether all bytes are zero.
func zero(b []byte) bool {
	for ; len(b) >= 8; b = b[8:] {
		if binary.NativeEndian.Uint64(b) != 0 {
			return false
		}
	}
	return true
}
