//go:build !linux

package safety

import "syscall"

// errNoMedium: devices are handled on Linux alone, which has an errno of its
// own for a reader without a card.
const errNoMedium = syscall.ENXIO
