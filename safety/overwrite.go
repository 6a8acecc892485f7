package safety

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/packed"
	"bootgraft/layout/kit"
	"bootgraft/layout/plan"
	rules "bootgraft/layout/rule/compare"
	"bootgraft/safety/notes"
	"bootgraft/safety/receipt"
)

// FileKind is what a file is to this program.
type FileKind string

// The kinds of files. What lies there is known by its content, never by its
// name.
const (
	EmptyFile   FileKind = "an empty file"
	ImageFile   FileKind = "the image of a disk" // whole sectors, and none of the others
	CaptureFile FileKind = "a capture"           // the image of an old drive, with its record or without
	RecordFile  FileKind = "the record of a capture"
	ReceiptFile FileKind = "a receipt"
	PlanFile    FileKind = "a plan"
	RuleFile    FileKind = "a rule file"
	KitFile     FileKind = "a kit"
	NotesFile   FileKind = "notes of the bench"
	TraceFile   FileKind = "a trace"  // of what was read; known by no content
	ReportFile  FileKind = "a page"   // for people; known by no content
	SourceFile  FileKind = "a source" // this command, or a plan in the same folder, reads it
	OtherFile   FileKind = "something else"
)

// ownKind are the files that may be made again in the place of an older one of
// their kind. What is not listed is replaced by nothing: it may be the only copy
// of a drive that is dead, or the only way back.
var ownKind = map[FileKind]bool{ImageFile: true, PlanFile: true, RuleFile: true}

// protected says why files of a kind are overwritten by nothing.
var protected = map[FileKind]struct {
	code disk.Code
	why  string
}{
	CaptureFile: {disk.TargetIsCapture, "it is a capture, perhaps the only copy of its drive, and is " +
		"overwritten by nothing"},
	RecordFile: {disk.TargetIsRecord, "it is the record of a capture, without which nobody can tell what was read, and " +
		"is overwritten by nothing"},
	ReceiptFile: {disk.TargetIsReceipt, "it is a receipt, the only way back to what a card held, and is " +
		"overwritten by nothing"},
	KitFile:    {disk.TargetIsKit, "it is a kit, perhaps all that is left of its drive, and is overwritten by nothing"},
	SourceFile: {disk.TargetIsSource, "it is read here or by a plan, and is overwritten by nothing"},
}

// mayReplace is the one table of what may be put in the place of what: nil, or
// the refusal, without its path.
func mayReplace(there, coming FileKind) *Refusal {
	if p, ok := protected[there]; ok {
		return &Refusal{Code: p.code, Why: p.why, Do: "choose another name"}
	}
	if there == EmptyFile || there == coming && ownKind[coming] {
		return nil
	}
	is, does := string(there), "replaces only files of its own kind"
	if there == OtherFile {
		is = "no file that this program could make again"
	}
	if !ownKind[coming] {
		does = "is put in the place of no other file"
	}
	return &Refusal{Code: disk.TargetOtherKind, Do: "choose another name, or move that file away",
		Why: fmt.Sprintf("it is %s, and %s %s", is, coming, does)}
}

// tornBytes are fewer than the beginning takes by which a kind is known.
const tornBytes = 256

// mayBreakOffAs tells whether a file of another kind, which begins so, may be what a run that
// made one of this kind left when it broke off.
func mayBreakOffAs(coming, there FileKind, head []byte) bool {
	switch {
	case coming == TraceFile, coming == ReportFile, len(head) == 0:
		return true // a page and a trace are known by no content
	case coming == ImageFile, there != ImageFile && there != OtherFile:
		return false // an image has its size from the beginning; what is known as another kind is one
	}
	// it was not written whole, or the power failed before its bytes were stored
	_, blank := image.Blank(head)
	return blank || len(head) < tornBytes && (head[0] == '{' || head[0] == 'P') // a JSON object, a ZIP file
}

// headBytes are enough to know every kind of file by its beginning, and for
// the path of the source in a plan. By hand, no source.
const headBytes = 64 << 10

// fileKind finds out what the file at path is. Where it depends on another file,
// note names that. fi is what Lstat says of it.
func fileKind(path string, fi fs.FileInfo) (kind FileKind, note string, err error) {
	head, err := readHead(path)
	if err != nil {
		return "", "", fmt.Errorf("what %s is cannot be found out, so it is not overwritten: %w", path, err)
	}
	own := kindByHead(head)
	if _, ok := protected[own]; ok {
		return own, "", nil
	}
	if kind, note, err = lookAround(path, fi); err != nil || kind != "" {
		return kind, note, err
	}
	switch {
	case fi.Size() == 0:
		return EmptyFile, "", nil
	case own != "":
		return own, "", nil
	}
	if fi.Size()%512 != 0 {
		return OtherFile, "", nil
	}
	img, err := image.Open(path, 512)
	if err != nil {
		return "", "", err
	}
	defer img.Close()
	if packed.Is(img) {
		return OtherFile, "", nil
	}
	lost, err := record.HoldsFill(img)
	if err != nil {
		return "", "", err
	}
	if lost {
		return CaptureFile, "its record is not beside it", nil
	}
	return ImageFile, "", nil
}

// ruleKind is what a rule file calls itself, without blanks.
var ruleKind = strings.ReplaceAll(rules.Kind, " ", "")

// kindByHead knows what begins as only one kind does, whole or not.
func kindByHead(head []byte) FileKind {
	compact := bytes.Join(bytes.Fields(head[:min(len(head), 256)]), nil)
	begins := func(text string) bool { return bytes.HasPrefix(compact, []byte(text)) }
	switch {
	case record.Is(head):
		return RecordFile
	case kit.Is(bytes.NewReader(head)):
		return KitFile
	case begins(`{"format":"` + strings.ReplaceAll(receipt.Format, " ", "") + `"`):
		return ReceiptFile
	case plan.Begins(head):
		return PlanFile
	case begins(fmt.Sprintf(`{"schema":1,"kind":"%s"`, ruleKind)),
		begins(fmt.Sprintf(`{"schema":%d,"kind":"%s"`, rules.Schema, ruleKind)):
		return RuleFile
	case notes.Is(head):
		return NotesFile
	}
	return ""
}

// OwnKind tells which file that this program makes a file is by its beginning,
// or "" if it is no such regular file or cannot be read.
func OwnKind(path string) FileKind {
	head, err := readHead(path)
	if err != nil {
		return ""
	}
	return kindByHead(head)
}

// readHead reads the beginning of a regular file.
func readHead(path string) ([]byte, error) {
	st, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !st.Mode().IsRegular() { // a pipe would wait for ever
		return nil, &image.NotRegularError{Path: path, Kind: image.Kind(st.Mode())}
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, headBytes))
}

// lookAround finds the record that makes a file a capture, and the plan that
// makes it a source, under whatever name the file is known to them.
func lookAround(path string, fi fs.FileInfo) (kind FileKind, note string, err error) {
	if beside := record.Beside(path); exists(beside) {
		return CaptureFile, "its record is " + beside, nil
	}
	dir := filepath.Dir(path)
	entries, err := os.ReadDir(dir)
	if err != nil {
		return "", "", fmt.Errorf("what needs %s cannot be found out, so it is not overwritten: %w", path, err)
	}
	for _, e := range entries {
		name := filepath.Join(dir, e.Name())
		if st, err := os.Stat(name); err != nil || !st.Mode().IsRegular() || os.SameFile(st, fi) {
			continue
		}
		head, err := readHead(name)
		if err != nil {
			continue // nobody here could use it
		}
		switch kindByHead(head) {
		case RecordFile:
			if recordIsOf(name, head, fi) {
				return CaptureFile, "its record is " + name, nil
			}
		case PlanFile:
			if source := plan.SourcePath(head); source != "" && planReads(name, source, fi) {
				return SourceFile, "the plan " + name + " is made from it", nil
			}
		}
	}
	return "", "", nil
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// recordIsOf tells whether a record is that of the file: it bears its name, or
// its own image is not beside it and the drive has the size of the file.
func recordIsOf(name string, head []byte, fi fs.FileInfo) bool {
	img, named := strings.CutSuffix(name, record.Suffix)
	if named {
		if st, err := os.Stat(img); err == nil {
			return os.SameFile(st, fi)
		}
	}
	size, known := record.RecordedSize(bytes.NewReader(head))
	return !known || size == fi.Size()
}

// planReads tells whether a plan is made from the file. A path is as seen from
// here, or from the folder of the plan.
func planReads(planPath, source string, fi fs.FileInfo) bool {
	for _, at := range []string{source, filepath.Join(filepath.Dir(planPath), source)} {
		if st, err := os.Stat(filepath.FromSlash(at)); err == nil && os.SameFile(st, fi) {
			return true
		}
	}
	return false
}
