//go:build !linux && !darwin && !windows

package newfile

import "errors"

// Exchange implements System.
func (OS) Exchange(string, string) error { return errors.ErrUnsupported }

// RenameNew implements System.
func (OS) RenameNew(string, string) error { return errors.ErrUnsupported }
