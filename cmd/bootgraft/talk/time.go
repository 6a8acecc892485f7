package talk

import (
	"fmt"
	"time"

	"bootgraft/image/disk"
)

// Passed writes how long something has gone on.
func Passed(d time.Duration) string {
	s := int64(d.Seconds())
	if s < 3600 {
		return fmt.Sprintf("%d:%02d", s/60, s%60)
	}
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}

// aboutLeft writes an estimate no finer than it can be known.
func aboutLeft(d time.Duration) string {
	m := int64((d + 30*time.Second) / time.Minute)
	switch {
	case d < time.Minute:
		return "less than a minute left"
	case m < 10:
		return "about " + disk.Counted(m, "minute") + " left"
	case m < 60:
		return fmt.Sprintf("about %d minutes left", (m+2)/5*5)
	case m < 10*60:
		return fmt.Sprintf("about %d h %d min left", (m+7)/15*15/60, (m+7)/15*15%60)
	case m < 48*60:
		return fmt.Sprintf("about %d hours left", (m+30)/60)
	}
	return fmt.Sprintf("about %d days left", (m+12*60)/(24*60))
}
