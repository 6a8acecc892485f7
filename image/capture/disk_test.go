package capture

import "os"

// Disk is a Storage of plain files, for tests; names are paths.
type Disk struct{ Dir string }

type diskFile struct{ *os.File }

func (f diskFile) Size() (int64, error) {
	st, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}

func (Disk) open(name string, flag int) (File, error) {
	f, err := os.OpenFile(name, os.O_RDWR|flag, 0o600)
	if err != nil {
		return nil, err
	}
	return diskFile{f}, nil
}

// Open implements Storage.
func (d Disk) Open(name string) (File, error) { return d.open(name, 0) }

// Create implements Storage.
func (d Disk) Create(name string) (File, error) { return d.open(name, os.O_CREATE|os.O_EXCL) }

// Remove implements Storage.
func (Disk) Remove(name string) error { return os.Remove(name) }

// Free implements Storage.
func (Disk) Free() int64 { return -1 }
