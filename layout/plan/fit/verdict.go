package fit

import (
	"cmp"
	"slices"
	"strings"

	"bootgraft/image/disk"
)

// said is what a stage has to say beside its value, in the order in which a person
// reads it.
type said struct {
	list []remark
	used []disk.Code // accepted codes on which something rested that is no finding
}

// remark is one finding, with what it does to the plan.
type remark struct {
	disk.Finding
	weight weight
	alone  disk.Code // of what is asked: a code that accepts this one and no other
}

// weight is what a finding does to a plan.
type weight int

const (
	noted   weight = iota // nothing
	asked                 // the plan goes on only if its owner accepts the code
	refused               // there is no plan, whatever is accepted
)

func (s *said) note(f disk.Finding)   { s.list = append(s.list, remark{Finding: f}) }
func (s *said) ask(f disk.Finding)    { s.list = append(s.list, remark{Finding: f, weight: asked}) }
func (s *said) refuse(f disk.Finding) { s.list = append(s.list, remark{Finding: f, weight: refused}) }

// askAlone asks for what can be accepted by a code of its own too.
func (s *said) askAlone(f disk.Finding, alone disk.Code) {
	s.list = append(s.list, remark{Finding: f, weight: asked, alone: alone})
}

// rests notes that something rests on a code, if it is accepted, that is no finding.
func (s *said) rests(on disk.Code) { s.used = append(s.used, on) }

// also adds what a part of the stage said.
func (s *said) also(more said) {
	s.list, s.used = append(s.list, more.list...), append(s.used, more.used...)
}

// verdict is what was said so far, weighed against what is accepted.
type verdict struct {
	findings []disk.Finding
	refused  Refused
	used     map[disk.Code]bool // accepted codes that something asked for
}

// weigh adds what a stage said. It is the one place where that meets what is accepted.
func (v *verdict) weigh(g *given, s said) {
	for _, code := range s.used {
		v.used[code] = true
	}
	for _, r := range s.list {
		if r.weight == refused {
			v.refused.Why = append(v.refused.Why, r.Finding)
			continue
		}
		if r.weight == asked {
			r.Severity = disk.Refusal
			by := r.Code
			if r.alone != "" && g.accepts(r.alone) {
				by = r.alone
			}
			v.used[by] = true
			if r.Accepted = g.grants || g.accepts(by); !r.Accepted {
				v.refused.Need = append(v.refused.Need, r.Finding)
				continue
			}
		}
		v.findings = append(v.findings, r.Finding)
	}
}

// smallest notes the sizes of the smallest cards that would do.
func (v *verdict) smallest(as, accepting disk.Sector) {
	v.refused.Smallest, v.refused.Accepting = cmp.Or(as, accepting), accepting
}

// need adds what has to be accepted, of each code that is not there yet.
func (v *verdict) need(list []disk.Finding) {
	for _, f := range list {
		if !slices.ContainsFunc(v.refused.Need, func(o disk.Finding) bool { return o.Code == f.Code }) {
			v.refused.Need = append(v.refused.Need, f)
		}
	}
}

// needOnly puts a list in the place of what has to be accepted.
func (v *verdict) needOnly(list []disk.Finding) { v.refused.Need = list }

// refusal says why there is no plan. inVolumes tells whether sectors of volumes are
// among what has to be accepted.
func (v *verdict) refusal(inVolumes bool) *Refused {
	v.refused.InVolumes = inVolumes
	return &v.refused
}

// granted returns what was asked and accepted by one of some codes, as it is
// asked.
func (v *verdict) granted(codes []disk.Code) (asked []disk.Finding) {
	for _, f := range v.findings {
		if f.Accepted && slices.Contains(codes, f.Code) {
			f.Accepted = false
			asked = append(asked, f)
		}
	}
	return asked
}

// isRefused tells whether anything stands against the plan.
func (v *verdict) isRefused() bool { return len(v.refused.Why)+len(v.refused.Need) > 0 }

// unusedAccepts notes what was accepted and nobody asked for.
func (v *verdict) unusedAccepts(accept []disk.Code) (out []disk.Finding) {
	told := map[disk.Code]bool{}
	for _, code := range accept {
		if !v.used[code] && !told[code] {
			told[code] = true
			out = append(out, disk.Notef(disk.AcceptNotNeeded, disk.NoSector,
				"--accept %s was given, but nothing asked for it", strings.ToValidUTF8(string(code), "?")))
		}
	}
	return out
}
