//go:build !unix

package need

// NewDisk does nothing: no test makes block devices here.
func NewDisk(Failer) (release func()) { return func() {} }
