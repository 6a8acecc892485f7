package rescue

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"time"
	"unicode"

	"bootgraft/layout/scan/files"
	"bootgraft/safety/newfile"
)

// Folder is the folder that recordings are copied into. Names from a disk can
// never lead out of it.
type Folder struct {
	Dir     string
	Changed []Renamed // files whose names had to be changed
	NoList  bool      // there was no room for the list of Finish
	folder  *newfile.Folder
	folders map[string]string // where those of the disk lie
}

// Renamed is a file that is called otherwise than on the disk.
type Renamed struct{ Was, Is string }

// NewFolder opens a folder that is new or empty, so that nothing is
// overwritten: else it is newfile.ErrNotEmpty.
func NewFolder(dir string) (*Folder, error) {
	folder, err := newfile.MakeFolder(dir)
	return &Folder{Dir: dir, folder: folder, folders: map[string]string{}}, err
}

// Close lets the folder go.
func (o *Folder) Close() { _ = o.folder.Close() } // it was only the way to the files

// Finish writes the list of damaged files, if there is one, beside those that were
// copied, and makes sure that all of it is on the disk. A folder that files filled up may
// have no room for the list: that takes nothing back.
func (o *Folder) Finish(name, list string) error {
	if list != "" {
		err := o.write(name, list)
		if o.NoList = newfile.ShortOf(err) != ""; err != nil && !o.NoList {
			return err
		}
	}
	if err := o.folder.Flush(); err != nil {
		return fmt.Errorf("flushing the files in %s: %w", o.Dir, err)
	}
	return nil
}

// write makes one more new file, of words.
func (o *Folder) write(name, text string) error {
	f, err := o.folder.Create(name)
	if err != nil {
		return err
	}
	defer f.Abandon()
	if _, err := f.WriteString(text); err != nil {
		return err
	}
	return f.Finish(time.Time{})
}

// Room is how many bytes may be stored there, where the system says that.
func (o *Folder) Room() (free int64, known bool) { return newfile.OS{}.Room(o.Dir) }

// Create makes a new file for f, under a safe name that nothing has yet.
func (o *Folder) Create(f *files.File) (*newfile.Copied, error) {
	want := fmt.Sprintf("volume-%d/%s", f.Volume, f.Path)
	slash := strings.LastIndexByte(want, '/')
	up, err := o.below(want[:slash])
	if err != nil {
		return nil, err
	}
	var made *newfile.Copied
	_, err = unused(up+"/"+safeName(want[slash+1:]), func(at string) (err error) {
		made, err = o.folder.Create(at)
		return err
	})
	return made, err
}

// changed notes a file that was copied under another name than the disk's.
func (o *Folder) changed(f *files.File, at string) {
	if want := fmt.Sprintf("volume-%d/%s", f.Volume, f.Path); at != want {
		o.Changed = append(o.Changed, Renamed{want, at})
	}
}

// below returns where a folder of the disk lies, and makes it if it is not there.
// Two that come to one safe name share a folder: their files have names of their
// own.
func (o *Folder) below(dir string) (string, error) {
	if at, ok := o.folders[dir]; ok {
		return at, nil
	}
	name := safeName(dir)
	if slash := strings.LastIndexByte(dir, '/'); slash >= 0 {
		up, err := o.below(dir[:slash])
		if err != nil {
			return "", err
		}
		name = up + "/" + safeName(dir[slash+1:])
	}
	at, err := unused(name, o.folder.Make)
	if err == nil { // else it is tried again for the next file
		o.folders[dir] = at
	}
	return at, err
}

// unused makes something under a name that nothing else has yet, and returns it.
func unused(name string, make func(string) error) (string, error) {
	for try := 1; ; try++ {
		at := name
		if try > 1 {
			ext := path.Ext(name)
			at = fmt.Sprintf("%s~%d%s", strings.TrimSuffix(name, ext), try, ext)
		}
		err := make(at)
		// By hand, no source: it ends, whatever lies in the folder.
		if errors.Is(err, fs.ErrExist) && try < 10000 {
			continue
		}
		if err != nil {
			return "", fmt.Errorf("%s cannot be made: %w", at, err)
		}
		return at, nil
	}
}

// reserved are names that Windows keeps for devices.
var reserved = map[string]bool{
	"CON": true, "PRN": true, "AUX": true, "NUL": true,
	"COM1": true, "COM2": true, "COM3": true, "COM4": true, "COM5": true, "COM6": true, "COM7": true, "COM8": true,
	"COM9": true,
	"LPT1": true, "LPT2": true, "LPT3": true, "LPT4": true, "LPT5": true, "LPT6": true, "LPT7": true, "LPT8": true,
	"LPT9": true,
}

// safeName changes the name of a file or folder so that every system can hold it.
func safeName(s string) string {
	out := strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7F || r == unicode.ReplacementChar || strings.ContainsRune(`<>:"\|?*`, r) {
			return '_'
		}
		return r
	}, strings.ToValidUTF8(s, "_"))
	if trimmed := strings.TrimRight(out, ". "); trimmed != out {
		out = trimmed + "_"
	}
	base, _, _ := strings.Cut(out, ".")
	if reserved[strings.ToUpper(base)] {
		out = "_" + out
	}
	// File systems take 255 bytes or units (common practice, no source); what is left
	// over is for the number of a second one of the same name, and its ending.
	if len(out) > 200 {
		out = strings.ToValidUTF8(out[:200], "")
	}
	return out
}
