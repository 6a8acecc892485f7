package kit_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout/kit"
)

func TestKitSaysWhoWroteIt(t *testing.T) {
	c := contents()
	c.WrittenBy = "bootgraft v1.2.3"
	file := write(t, c)
	k, err := kit.Open(bytes.NewReader(file), int64(len(file)))
	if err != nil || k.WrittenBy != c.WrittenBy || k.Schema != kit.Schema {
		t.Fatalf("%+v, %v", k, err)
	}
	forged := bytes.Replace(file, []byte("v1.2.3"), []byte("v1.2.4"), 1) // the CRC of the ZIP covers it
	var damaged *kit.PartError
	if _, err := kit.Open(bytes.NewReader(forged), int64(len(forged))); !errors.As(err, &damaged) {
		t.Errorf("another writer is not seen: %v", err)
	}
}

func TestNewerKitIsNamed(t *testing.T) {
	file := edited(t, "\"schema\": 1", "\"schema\": 3")
	var newer *disk.NewerFormError
	if _, err := kit.Open(bytes.NewReader(file), int64(len(file))); !errors.As(err, &newer) ||
		!strings.Contains(err.Error(), "this kit is of form 3, and this program reads forms up to 2") {
		t.Errorf("%v", err)
	}
}
