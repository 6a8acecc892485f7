package input

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"strings"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/layout/scan"
)

// foreign is a kind of file that is no image of a disk, known by bytes at a fixed
// place.
type foreign struct {
	name   string
	At     int64 // below zero it counts from the end of the file
	Magic  string
	unpack string // the command that makes an image of it; {} stands for the file; "" if there is none
	wraps  string // what the command leaves off the name
}

// Foreigners are the kinds that people keep images in, and those that are given
// by mistake. The magic bytes are those of the published formats.
var Foreigners = []foreign{
	// RFC 1952, 2.3.1
	{"a gzip file", 0, "\x1f\x8b\x08", "gzip -dk {}", ".gz"},
	// The .xz File Format 1.2.1, 2.1.1.1
	{"an xz file", 0, "\xfd7zXZ\x00", "xz -dk {}", ".xz"},
	// bzip2 has no published format; file(1), magic/Magdir/compress
	{"a bzip2 file", 0, "BZh", "bzip2 -dk {}", ".bz2"},
	// .lzma and .Z have no published format either; file(1), magic/Magdir/compress
	{"an LZMA file", 0, "\x5d\x00\x00\x80\x00", "xz -dk --format=lzma {}", ".lzma"},
	{"a compress file", 0, "\x1f\x9d\x90", "gzip -dk {}", ".Z"},
	// RFC 8878, 3.1.1
	{"a Zstandard file", 0, "\x28\xb5\x2f\xfd", "zstd -d {}", ".zst"},
	// LZ4 Frame Format 1.6.4, "Magic Number"
	{"an LZ4 file", 0, "\x04\x22\x4d\x18", "lz4 -d {}", ".lz4"},
	// lzip manual, "File format"
	{"an lzip file", 0, "LZIP\x01", "lzip -dk {}", ".lz"},
	// APPNOTE.TXT 6.3.9, 4.3.7
	{"a ZIP file", 0, "PK\x03\x04", "unzip {}", ""},
	// the same, 4.3.16: an archive that is empty; and 8.5.4: one in several parts
	{"a ZIP file with nothing in it", 0, "PK\x05\x06", "", ""},
	{"the first part of a ZIP file", 0, "PK\x07\x08", "unzip {}", ""},
	// 7zFormat.txt, "kSignature"
	{"a 7z file", 0, "7z\xbc\xaf\x27\x1c", "7z x {}", ""},
	// RAR 5.0 archive format, "RAR 5.0 signature"
	{"a RAR file", 0, "Rar!\x1a\x07", "unrar x {}", ""},
	// POSIX.1-2017, pax, "ustar Interchange Format"
	{"a tar file", 257, "ustar", "tar -xf {}", ""},
	// QEMU, docs/interop/qcow2.txt, "Header"
	{"a qcow2 file of a virtual machine", 0, "QFI\xfb", "qemu-img convert -O raw {} {}.raw", ""},
	// Virtual Disk Format 5.0, "Hosted Sparse Extent Header"
	{"a VMDK file of a virtual machine", 0, "KDMV", "qemu-img convert -O raw {} {}.raw", ""},
	// Virtual Hard Disk Image Format 1.0, "Hard Disk Footer Format"
	{"a VHD file of a virtual machine", 0, "conectix", "qemu-img convert -O raw {} {}.raw", ""},
	// MS-VHDX, 2.2.1
	{"a VHDX file of a virtual machine", 0, "vhdxfile", "qemu-img convert -O raw {} {}.raw", ""},
	// QEMU, block/vdi.c, VDI_SIGNATURE
	{"a VDI file of a virtual machine", 64, "\x7f\x10\xda\xbe", "qemu-img convert -O raw {} {}.raw", ""},
	// ITU-T T.81, B.1.1.3: SOI, then a marker
	{"a JPEG picture", 0, "\xff\xd8\xff", "", ""},
	// PNG Specification (W3C, third edition), 5.2
	{"a PNG picture", 0, "\x89PNG\r\n\x1a\n", "", ""},
	// GIF89a Specification, 17
	{"a GIF picture", 0, "GIF8", "", ""},
	// TIFF 6.0, section 2
	{"a TIFF picture", 0, "II*\x00", "", ""},
	// TIFF 6.0, section 2
	{"a TIFF picture", 0, "MM\x00*", "", ""},
	// ISO 32000-1, 7.5.2
	{"a PDF document", 0, "%PDF-", "", ""},
	// System V ABI, gABI 4.1, "ELF Identification"
	{"a program for Linux", 0, "\x7fELF", "", ""},
	// RFC 3533, 6
	{"a sound file", 0, "OggS", "", ""},
	// RFC 9639, 6
	{"a sound file", 0, "fLaC", "", ""},
	// id3v2.4.0-structure, 3.1
	{"a sound file", 0, "ID3", "", ""},
	// Multimedia Programming Interface and Data Specifications 1.0, chapter 2
	{"a sound or video file", 0, "RIFF", "", ""},
	// Audio Interchange File Format 1.3, "Form Chunk"
	{"a sound file", 8, "AIFF", "", ""},
	{"a sound file", 8, "AIFC", "", ""},
	// HTML (WHATWG), 13.1.1; XML 1.0, 2.8: what a server sent in the place of the image
	{"a page of a web server", 0, "<!DOCTYPE", "", ""},
	{"a page of a web server", 0, "<!doctype", "", ""},
	{"a page of a web server", 0, "<html", "", ""},
	{"an XML document", 0, "<?xml ", "", ""},
	// the trailer of a disk image of macOS, quoted from memory
	{"a disk image of macOS", -512, "koly", "hdiutil convert {} -format UDTO -o {}", ""},
}

// foreignKind returns what a file is if its first or last bytes are those of
// another kind of file than the image of a disk, or nil.
func foreignKind(img image.Source) (*foreign, error) {
	head := make([]byte, min(512, img.Size()))
	if err := image.ReadFull(img, head, 0); err != nil {
		return nil, err
	}
	tail := make([]byte, len(head))
	if err := image.ReadFull(img, tail, img.Size()-int64(len(tail))); err != nil {
		return nil, err
	}
	for i := range Foreigners {
		f := &Foreigners[i]
		in, at := head, f.At
		if at < 0 {
			in, at = tail, at+int64(len(tail))
		}
		if at >= 0 && at < int64(len(in)) && bytes.HasPrefix(in[at:], []byte(f.Magic)) {
			return f, nil
		}
	}
	return nil, nil
}

// provesDisk tells whether a table or a volume says that it is a disk all the
// same: a boot sector may begin with any bytes.
func provesDisk(ctx context.Context, img image.Source) (bool, error) {
	if image.Sectors(img) < 1 {
		return false, nil
	}
	s, err := scan.Run(ctx, &scan.Glance{Source: img}, scan.Options{Short: true})
	if err != nil {
		return false, err
	}
	return len(s.Entries) > 0 || len(s.Volumes) > 0, nil
}

// refusal says what the file is and how to get at the image in it.
func (f *foreign) refusal(path string) string {
	place := "first"
	if f.At < 0 {
		place = "last"
	}
	text := fmt.Sprintf("%s is %s, no image of a disk: its %s bytes say so, and no partition table or volume"+
		" says otherwise.", path, f.name, place)
	if f.unpack == "" {
		return text
	}
	text += " Take the image out of it first:\n\n  " + strings.ReplaceAll(f.unpack, "{}", words.Shell(path))
	if name := strings.TrimSuffix(path, f.wraps); f.wraps != "" && name != path {
		text += fmt.Sprintf("\n\nand then give %s", filepath.Base(name))
	}
	return text
}
