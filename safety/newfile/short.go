package newfile

// Short is why a file system did not take one file, although it may take others.
type Short string

// What a file system may lack for one file.
const (
	NoRoom  Short = "room" // it is full, or what its owner may store there is used up
	TooBig  Short = "size" // it holds no file of such a size
	BadName Short = "name" // it holds no such name, or none so long
)

// ShortOf tells what the error of making or filling a file says of that file alone. It is
// empty where others fare no better: a file system that is read-only, or gone.
func ShortOf(err error) Short {
	switch {
	case err == nil:
		return ""
	case full(err):
		return NoRoom
	case TooLarge(err):
		return TooBig
	case badName(err):
		return BadName
	}
	return ""
}
