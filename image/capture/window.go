package capture

import (
	"bootgraft/image/disk"
)

// suspectWindow judges what was about to be read when the last run was cut
// off. A large window that was cut off says little: its parts are read again,
// each announced alone. A read that was announced alone, or that let the drive
// be silent for a while, is in doubt: its sectors come last of all, one by one.
// A single sector to which that happens twice is hung.
func (rec *Record) suspectWindow() {
	for _, w := range rec.window {
		one := len(rec.window) == 1 && int64(w.Count)*int64(rec.SectorSize) <= blockBytes
		rec.states.each(w, func(s disk.Span, st state) bool {
			if st.inImage() && (rec.silent || one && rec.wary.get(s.Start)) {
				rec.weak.set(s, true)
			} else if st.inImage() {
				rec.wary.set(s, true)
			}
			return true
		})
		if one && w.Count == 1 && rec.states.get(w.Start) == hung {
			rec.doubt.set(w, true) // asked for, and the last of all that is asked for again
		}
		wasSuspect := rec.states.spans(w, suspect)
		for _, s := range rec.states.spans(w, unread, failed, tight, left, suspect) {
			alone := one && (rec.silent || len(wasSuspect.Within(s)) > 0)
			if alone && w.Count == 1 && rec.doubt.get(w.Start) {
				rec.states.set(s, hung)
				continue
			}
			rec.states.set(s, suspect)
			if alone {
				rec.doubt.set(s, true)
			}
		}
	}
	rec.window, rec.silent = nil, false
}

// suspects returns the suspect runs of sectors, class by class: those in doubt,
// or the others.
func (e *engine) suspects(classes []Class, doubt bool) []disk.Span {
	var out []disk.Span
	for _, s := range e.runsOf(classes, suspect) {
		out = append(out, e.rec.doubt.spans(s, doubt)...)
	}
	return out
}

// again reads the parts of windows that were cut off, in large reads.
func (e *engine) again(c Class) error {
	for _, s := range e.suspects([]Class{c}, false) {
		for !s.Empty() {
			r := e.cut(s, e.block)
			if _, err := e.try(r); err != nil {
				return err
			}
			s = disk.Between(r.End(), s.End())
		}
	}
	return nil
}

// doubted reads sectors in doubt, one by one.
func (e *engine) doubted(classes []Class) error {
	e.doing = "single sectors where the drive hung"
	return e.bisect(e.suspects(classes, true), level{from: suspect, size: 1})
}
