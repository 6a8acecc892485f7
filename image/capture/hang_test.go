package capture

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"bootgraft/image/disk"
)

// snapshot is what is on the disk of the image now: all that was written, or
// what a cut of the power leaves.
func (m *memory) snapshot(power bool) *memory {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := newMemory()
	out.mortal = m.mortal
	for name, f := range m.files {
		b := f.now
		if power {
			b = f.durable
		}
		out.files[name] = &memFile{m: out, now: bytes.Clone(b)}
		if out.mortal {
			out.files[name].durable = bytes.Clone(b)
		}
	}
	return out
}

// wayToStop is how a run ends that the drive hangs.
type wayToStop int

const (
	ctrlC    wayToStop = iota
	kill               // when the record says that the drive is silent
	cutPower           // at once: the record ends with what was announced
)

// met runs until the drive hangs, and stops then; or to the end. It returns
// what is on the disk.
func met(t *testing.T, d *simDrive, m *memory, o Options, way wayToStop) (*memory, *Result) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	o.Time, o.HangAfter = d.simTime, time.Hour
	var cut *memory
	d.onRead = func(s disk.Span, _ bool) {
		for x := range d.hangs {
			if !s.Holds(x) || d.wellBefore > 0 {
				continue
			}
			if way == cutPower && cut == nil {
				cut = m.snapshot(true)
			}
			if way == ctrlC {
				cancel()
			}
		}
	}
	tg := target
	tg.Storage = m
	type ended struct {
		r   *Result
		err error
	}
	end := make(chan ended, 1)
	go func() {
		r, err := Run(ctx, d, tg, o, nil, nil)
		end <- ended{r, err}
	}()
	for {
		select {
		case e := <-end:
			if e.err != nil && !errors.Is(e.err, context.Canceled) {
				t.Fatal(e.err)
			}
			if e.r != nil && e.r.Stop == DriveHangs {
				close(d.release)
				return m, nil
			}
			return m, e.r
		case <-time.After(time.Millisecond):
		}
		if way == ctrlC {
			continue
		}
		d.simTime.mu.Lock()
		hanging := d.hanging
		d.simTime.mu.Unlock()
		if !hanging {
			continue
		}
		now := m.snapshot(false)
		text := strings.TrimSpace(string(now.files["image.record"].now))
		if last := text[strings.LastIndex(text, "\n")+1:]; !strings.Contains(last, " silent ") {
			continue
		}
		close(d.release)
		<-end
		if way == cutPower {
			now = cut
		}
		return now, nil
	}
}

// A sector that never answers is met a few times in all, however the owner ends
// the runs that hang: then it alone is left out, and all else is read.
func TestAHangingSectorIsMetAFewTimesHoweverTheRunsEnd(t *testing.T) {
	sets := [][]disk.Sector{{300, 45_000}, {0}, {30_000}, {49_999}, {5000, 5001}}
	if testing.Short() {
		sets = sets[:1]
	}
	for way, most := range map[wayToStop]int{ctrlC: 2, kill: 2, cutPower: 3} {
		for _, hangs := range sets {
			t.Run(fmt.Sprint(way, hangs), func(t *testing.T) {
				m, meetings := newMortalMemory(), 0
				var want disk.Spans
				for _, x := range hangs {
					want = want.Add(disk.Span{Start: x, Count: 1})
				}
				for {
					d := newSim(50_000, disk.Span{Start: 20_000, Count: 1})
					for _, x := range hangs {
						d.hangs[x] = true
					}
					var r *Result
					m, r = met(t, d, m, Options{Looks: 2}, way)
					if meetings += d.hung; r == nil && meetings <= most*len(hangs) {
						continue
					}
					if r == nil || r.Stop != Done || meetings > most*len(hangs) {
						t.Fatalf("%d meetings, %+v", meetings, r)
					}
					if !slices.Equal(r.Hung, want) || !slices.Equal(r.Unread, want) {
						t.Errorf("hung %v, unread %v, want %v", r.Hung, r.Unread, want)
					}
					told := slices.ContainsFunc(r.Findings, func(f disk.Finding) bool { return f.Code == disk.HungSectors })
					if told != (len(want) > 0) {
						t.Errorf("hung %v, findings %v", want, r.Findings)
					}
					checkImage(t, d, m, r)
					return
				}
			})
		}
	}
}

// A known sector that lets a look hang is not looked at in every run.
func TestALookThatHangsIsNotRepeated(t *testing.T) {
	// A cut of the power may take what was read with it: then it is unread again.
	for way, most := range map[wayToStop]int{ctrlC: 2, kill: 2, cutPower: 4} {
		m, meetings := newMortalMemory(), 0
		for {
			d := newSim(50_000)
			d.hangs[30_000] = true
			if meetings == 0 {
				d.wellBefore = 1 // the first look is answered
			}
			var r *Result
			m, r = met(t, d, m, Options{Looks: 3}, way)
			if meetings += d.hung; r != nil {
				if r.Stop != Done || r.Unread.Sectors() > 0 && way != cutPower || r.Unread.Sectors() > 1 || meetings == 0 {
					t.Errorf("way %d: %d meetings, %+v", way, meetings, r)
				}
				break
			}
			if meetings > most {
				t.Fatalf("way %d: %d meetings", way, meetings)
			}
		}
	}
}
