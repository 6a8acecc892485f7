package document

import (
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/offer"
)

// Offer is what would become of a drive on cards of several sizes.
type Offer struct {
	Head
	Cards     []OfferedCard `json:"cards"`
	Smallest  disk.Sector   `json:"smallest_sectors,omitempty"`
	Accepting disk.Sector   `json:"smallest_accepted_sectors,omitempty"`
	Best      *int          `json:"best"` // index of the card to take, from 0; null if none fits
}

// OfferedCard is one of them.
type OfferedCard struct {
	Size    string      `json:"size"` // as it was asked for
	Disk    plan.Size   `json:"disk"`
	Fits    bool        `json:"fits"`
	Asks    []disk.Code `json:"asks"`
	Why     []Finding   `json:"why"`
	Moved   disk.Sector `json:"moved_sectors"`
	Anew    disk.Sector `json:"made_new_sectors"`
	Dropped disk.Sector `json:"dropped_sectors"`
	Missing disk.Sector `json:"missing_sectors"`
	Head    disk.Sector `json:"head_changed_sectors"` // before the first volume, not as on the drive
	Spare   disk.Sector `json:"spare_sectors"`        // so many fewer than its label says the card may have
	// the largest size up to this at which all readings of the rules agree; null if none is known
	Agreed *disk.Sector `json:"agreed_sectors"`
	Walls  []Finding    `json:"walls"`
	Try    bool         `json:"try"` // the first of several: not all is proved that may follow the size
}

// known is a size that is 0 where there is none.
func known(n disk.Sector) *disk.Sector {
	if n == 0 {
		return nil
	}
	return &n
}

// NewOffer says what became of each card, in the order in which they were asked for.
func NewOffer(sizes []string, o *offer.Offer) *Offer {
	out := &Offer{Head: New(KindOffer), Smallest: o.Smallest, Accepting: o.Accepting}
	for i, c := range o.Cards {
		asks := append([]disk.Code{}, c.Asks...)
		out.Cards = append(out.Cards, OfferedCard{
			Size: sizes[i], Disk: c.Disk, Fits: c.Fits, Asks: asks, Why: findings(c.Why),
			Moved: c.Moved, Anew: c.Anew, Dropped: c.Dropped, Missing: c.Missing,
			Head: c.Head, Spare: c.Spare, Agreed: known(c.Agreed), Walls: findings(c.Walls), Try: c.Try,
		})
	}
	if o.Best >= 0 {
		out.Best = &o.Best
	}
	return out
}
