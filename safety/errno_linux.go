package safety

import "syscall"

// errNoMedium is what opening a reader without a card says.
const errNoMedium = syscall.ENOMEDIUM

// noFollow makes an open fail at a link.
const noFollow = syscall.O_NOFOLLOW
