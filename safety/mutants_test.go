package safety

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	rig "bootgraft/image/imagetest/need"
)

// mutant takes one safeguard out of a file of this package, or of another one,
// named from here; the named tests, of this package or of the one in the folder
// in, must see it.
type mutant struct{ file, old, new, tests, in string }

var mutants = []mutant{
	{"samecard.go", "		headBlank:   {goOn, another, another},\n		headOld:     {goOn, another, another},\n		headNew:     {goOn, another, another},\n		headTorn:    {goOn, another, another},\n		headForeign: {changed, another, another},\n	},\n	receipt.ByPlan", "		headBlank:   {goOn, goOn, another},\n		headOld:     {goOn, another, another},\n		headNew:     {goOn, another, another},\n		headTorn:    {goOn, another, another},\n		headForeign: {changed, another, another},\n	},\n	receipt.ByPlan", "TestSameCardTable", ""},
	{"samecard.go", "		j = judgement{outcome: another, reason: otherwise}", "		_ = otherwise", "TestSameCardLooksAtTheRest", ""},
	{"samecard.go", "	if bytes.Equal(have, ours) {\n		return markOurs, nil", "	if bytes.HasPrefix(have, []byte(\"bootgraft fence\\n\")) {\n		return markOurs, nil", "TestSameCardTable", ""},
	{"samecard.go", "torn(have, without, ours) || noted && !others && r.Proof == receipt.ByKept", "torn(have, without, ours) || noted && others && !others", "TestABadSectorAtThePlaceOfTheMark", ""},
	{"samecard.go", "noted && !others && r.Proof", "noted && (others || !others) && r.Proof", "TestABadSectorAtThePlaceOfTheMark", ""},
	{"samecard.go", "			if bytes.HasPrefix(b, r.Mark[:]) {", "			if bytes.HasPrefix(b, r.Mark[:]) || true {", "TestUndoOfATestNeedsItsStamps", ""},
	{"samecard.go", "	if r.New == nil {\n		return judgement{outcome: another,", "	if r.New == nil {\n		return judgement{outcome: goOn,", "TestAReceiptOfTheOlderForm", ""},
	{"receipt/read.go", "	if len(l.Differ) == 0 { // a step back begins no stage\n		r.Proof = r.proofAfter(l.Stage)\n	}", "	r.Proof = r.proofAfter(l.Stage)", "TestAStepBackBeginsNoStage", ""},
	{"receipt/read.go", "r.Stage == StageDone && !r.Undoing ||", "r.Stage == StageDone ||", "TestAnUndoThatWasBegunIsNotFinished", ""},
	{"goon.go", "	if errors.Is(err, newfile.ErrInUse) {\n		return inUse(r.req.Receipt), nil", "	if false && errors.Is(err, newfile.ErrInUse) {\n		return inUse(r.req.Receipt), nil", "TestTwoWritersDoNotShareAReceipt", ""},
	{"keep.go", "(now.Digest != a.receipt.Digest || now.End != a.receipt.End)", "false", "TestAReceiptThatGrewMeanwhile", ""},
	{"keep.go", "	if err == nil {\n		err = a.judgeAgain(now)\n	}\n", "", "TestAnotherCardAfterTheWord", ""},
	{"keep.go", "	if err == nil { // what the run before reserved is gone with that\n		err = newfile.Reserve(file, a.progressRoom())\n	}\n", "", "TestRoomBehindTheReceipt", ""},
	{"keep.go", "		if err := newfile.Reserve(f, a.progressRoom()); err != nil {\n			return err\n		}\n", "		_ = f\n", "TestRoomBehindTheReceipt", ""},
	{"stepback.go", "	if e := a.out.Note(a.backLine(differ)); e != nil {\n		return errors.Join(err, e)\n	}\n", "", "TestALostSectorIsWrittenAgain|TestASectorThatFailsTwice", ""},
	{"looked.go", "	if !isFilled(b, b[0]) && !isStamped(b) {", "	if !isFilled(b, b[0]) {", "TestNoiseOfATestIsNothing", ""},
	{"looked.go", "				if now == l.mark(at+i) {", "				if now == l.mark(at+i) || true {", "TestChangedBeforeTheFence", ""},
	{"looked.go", "		h.Write(b[:])\n", "", "TestWordStandsForWhatTheLookRead", ""},
	{"rehearse.go", "	if c.Sectors > 0 {\n		return Refusals{{Code: disk.TargetChanged", "	if false {\n		return Refusals{{Code: disk.TargetChanged", "TestChangedBeforeTheFence", ""},
	{"rehearse.go", "len(r.req.Looked.bad) == 0 || r.req.Kind.Tests()", "len(r.req.Looked.bad) == 0 || true", "TestABadSectorStopsNoTest", ""},
	{"rehearse.go", "	if wrong := r.Word.check(r.Facts.Path, word); wrong != nil {", "	if wrong := r.Word.check(r.Facts.Path, word); false {", "TestChangedAfterRehearsal", ""},
	{"guards.go", "	isCard, hasPlaceForMark,", "	isCard,", "TestAPlanMustFillTheSectorOfTheMark", ""},
	{"try.go", "		if errors.Is(err, fs.ErrPermission) {", "		if false && errors.Is(err, fs.ErrPermission) {", "TestNoWordWithoutRights", ""},
	{"try.go", "c.Sectors > 0 && !r.req.Kind.Tests()", "false && c.Sectors > 0", "TestACardThatAnswersDifferently", ""},
	{"try.go", "	if err := newfile.Try(newfile.FolderOf(path)); err != nil {", "	if err := newfile.Try(newfile.FolderOf(path)); false {", "TestNoWordWithoutAReceipt", ""},
	{"pull.go", "	case x.Sequence != 0 && x.Sequence == r.Sequence:", "	case false:", "TestSecondHalfIsRefused", ""},
	{"pull.go", "	if m.Stamped == 0 && (m.Old == 0 || m.Else > 0) {", "	if m.Stamped < 0 {", "TestSecondHalfIsRefused", ""},
	{"pull.go", "		if t.leave[s] = !stamped; !stamped &&", "		if !stamped &&", "TestPullTouchesNothingNew", ""},
	{"fence.go", "	if err := a.blank(sector0); err != nil {", "	if err := error(nil); err != nil {", "TestSector0IsBlankBeforeTheMark", ""},
	{"apply.go", "	if a.finished {\n		steps", "	if false {\n		steps", "TestAFinishedCardIsComparedFirst", ""},
	{"samecard.go", "return head == headBlank && !others, err", "return !others, err", "TestUndoOfACardThatLostItsMark", ""},
	{"samecard.go", "return head == headBlank && !others, err", "return head == headBlank || others, err", "TestUndoOfACardThatLostItsMark", ""},
	{"keep.go", "	if r.Kind == receipt.Write && (used || j.lost) {\n		if slices.Contains(x.Accept, disk.CardUnproved) {", "	if r.Kind == receipt.Write && (used || j.lost) {\n		if slices.Contains(x.Accept, disk.CardUnproved) || true {", "TestUndoOfACardThatLostItsMark|TestUndoOfAUsedCardIsAsked", ""},

	// What may be put in the place of what.
	{"overwrite.go", "	CaptureFile: {disk.TargetIsCapture,", "	\"none\": {disk.TargetIsCapture,", "TestReplacesOwnKindOnly|TestCapturesAreOverwrittenByNothing", ""},
	{"overwrite.go", "	KitFile:    {disk.TargetIsKit,", "	\"none\":     {disk.TargetIsKit,", "TestReplacesOwnKindOnly", ""},
	{"overwrite.go", "	SourceFile: {disk.TargetIsSource,", "	\"none\":     {disk.TargetIsSource,", "TestSourceOfAPlanBesideIsKept", ""},
	{"overwrite.go", "there == coming && ownKind[coming]", "there == coming", "TestReplacesOwnKindOnly", ""},
	{"overwrite.go", "there == coming && ownKind[coming]", "ownKind[there] && ownKind[coming]", "TestReplacesOwnKindOnly", ""},
	{"overwrite.go", "	if lost {\n		return CaptureFile,", "	if lost && !lost {\n		return CaptureFile,", "TestCapturesAreOverwrittenByNothing", ""},

	// The lock of receipts and of records.
	{"newfile/lock_unix.go", "			return ErrInUse", "			return nil", "TestTwoWritersDoNotShareAReceipt", ""},
	{"newfile/lock_unix.go", "			return ErrInUse", "			return nil", "TestASecondRunIsRefusedTheLock", "newfile"},
	{"../image/capture/storage.go", "		return ErrInUse // it was not there", "		return err // it was not there", "TestARunThatBeginsAtTheSameMomentIsRefused", "../image/capture"},
	{"../image/capture/storage.go", "	if errors.Is(err, ErrInUse) {\n		return nil, &InUseError{t.Image}\n	}\n", "", "TestASecondCaptureIntoOneImageIsRefused", "../image/capture"},

	// The proof that the drive is that of the capture.
	{"../image/capture/proof.go", "	if differ > 0 && 4*differ >= compared {", "	if differ > 0 && differ > compared {", "TestAnotherDriveOfTheSameModelIsRefused", "../image/capture"},
	{"../image/capture/proof.go", "	if differ > 0 && 4*differ >= compared {", "	if differ == compared && differ > 0 && compared > 1<<20 {", "TestADifferentDriveIsRefused", "../image/capture"},
	{"../image/capture/proof.go", "	if len(out) == 0 {\n		return nil, nil\n	}\n	if right == 0 {", "	if true {\n		return nil, nil\n	}\n	if right == 0 {", "TestARunThatIsKilledAfterASwap", "../image/capture"},

	// What a card holds is lost only if its owner says so.
	{"../cmd/bootgraft/device/rehearsal.go", "if holds && !slices.Contains(w.flags.Accept, code) {", "if holds && (len(w.flags.Accept) == 0 || len(w.flags.Accept) == 1 && !slices.Contains(w.flags.Accept, w.flags.Accept[0])) {", "TestEachLossIsAskedAbout", "../cmd/bootgraft/device"},
	{"../cmd/bootgraft/device/rehearsal.go", "	ask(w.held.HoldsUnknown(), disk.CardHoldsUnknown,", "	ask(false, disk.CardHoldsUnknown,", "TestEachLossIsAskedAbout", "../cmd/bootgraft/device"},
	{"../cmd/bootgraft/device/rehearsal.go", "	ask(w.held.HoldsFiles(), disk.CardHoldsFiles,", "	ask(w.held.Files > 0, disk.CardHoldsFiles,", "TestEachLossIsAskedAbout", "../cmd/bootgraft/device"},
	{"held/held.go", "return len(c.Names) > 0 || c.Other.Sectors > 0", "return len(c.Names) > 0", "TestEachLossIsAskedAbout", "../cmd/bootgraft/device"},
}

// Each safeguard that is taken out fails a test that is named for it. The
// mutants are compiled beside the code, which stays as it is. That their text
// still is in the code is looked at in every run: one that is not tries nothing.
func TestMutantsAreKilled(t *testing.T) {
	for _, m := range mutants {
		if code, err := os.ReadFile(m.file); err != nil || strings.Count(string(code), m.old) != 1 {
			t.Fatalf("%s does not hold %q once: %v", m.file, m.old, err)
		}
	}
	if !rig.Long() {
		t.Skip("the mutants run with BOOTGRAFT_LONG=1")
	}
	for i, m := range mutants {
		t.Run(fmt.Sprintf("%02d-%s", i+1, m.file), m.isKilled)
	}
}

func (m mutant) isKilled(t *testing.T) {
	dir, err := os.Getwd()
	do(t, err)
	path := filepath.Join(dir, m.file)
	code, err := os.ReadFile(path)
	do(t, err)
	made := filepath.Join(t.TempDir(), filepath.Base(m.file))
	list := filepath.Join(filepath.Dir(made), "overlay.json")
	overlay, err := json.Marshal(map[string]map[string]string{"Replace": {path: made}})
	do(t, err)
	put(t, made, []byte(strings.Replace(string(code), m.old, m.new, 1)))
	put(t, list, overlay)
	cmd := exec.CommandContext(t.Context(), "go", "test", "-vet=off", "-short", "-overlay", list, "-run", "^("+m.tests+")", ".")
	cmd.Dir = filepath.Join(dir, m.in)
	cmd.Env = append(os.Environ(), "BOOTGRAFT_LONG=")
	switch out, err := cmd.CombinedOutput(); {
	case err == nil:
		t.Errorf("%s without %q: no test fails", m.file, m.old)
	case strings.Contains(string(out), "[build failed]"):
		t.Errorf("%s without %q does not compile:\n%s", m.file, m.old, out)
	default:
		t.Logf("%s without %q: killed by %s", m.file, m.old, m.tests)
	}
}
