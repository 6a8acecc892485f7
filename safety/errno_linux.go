package safety

import "syscall"

// errNoMedium is what opening a reader without a card says.
const errNoMedium = syscall.ENOMEDIUM
