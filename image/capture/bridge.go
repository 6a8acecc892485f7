package capture

import (
	"bootgraft/image/bridge"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// checkBridge looks whether the bridge shows the drive as it is, once in the life of a
// capture. What it reads is read as everything else is: announced, once, into the
// image. On a drive without trouble it comes as soon as the boot areas were swept, for
// what it says may spare hours; on one that failed, was slow or hung, in this run or an
// earlier one, when what can be had of the boot areas is safe (late).
func (e *engine) checkBridge(late bool) error {
	head := disk.Span{Count: min(disk.Sector(bridge.Head/e.rec.SectorSize), e.rec.Sectors)}
	switch {
	case !e.CheckBridge || e.rec.BridgeChecked:
		return nil
	case !late && (e.rec.Errors > 0 || e.rec.Slow > 0 || e.rec.PowerOff || len(e.rec.Hung()) > 0):
		return nil
	case len(e.rec.States.Spans(head, record.Unread)) > 0 && !late:
		return nil
	}
	was, doing := e.doing, e.doingNow
	defer func() { e.doing, e.doingNow = was, doing }()
	e.doing, e.doingNow = "looking at the bridge", Boot
	found, err := bridge.Check(bridge.Drive{
		Known: e.known, Says: e.Says, Now: e.Time.Now,
		Read: func(x disk.Sector) (bool, error) {
			s := disk.Span{Start: x, Count: 1}
			if e.rec.States.Get(x) != record.Unread { // it was tried, and comes back when its turn is
				return true, nil
			}
			got, err := e.try(s)
			return got == gotIt, err
		},
	})
	if err != nil {
		return err
	}
	for _, f := range found {
		e.watch.Event(Event{Kind: EventBridge, Found: f})
		e.note(record.Told(f))
	}
	e.note(record.ToldAll())
	return nil
}

// lastMissing says what it may mean that the last sector is missing in the end.
func (e *engine) lastMissing() (disk.Finding, bool) {
	last := e.rec.Sectors - 1
	for _, f := range e.rec.Told {
		if f.Code == disk.BridgeLastUnreadable {
			return f, false
		}
	}
	if !e.CheckBridge || e.rec.States.Get(last) != record.Missing {
		return disk.Finding{}, false
	}
	return bridge.LastUnreadable(e.rec.Sectors, e.Says != nil && e.Says.Sectors == e.rec.Sectors)
}
