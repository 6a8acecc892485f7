package device

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/safety"
	"bootgraft/safety/receipt"
)

// receiptSuffix is what the name of a receipt has beyond that of its plan.
const receiptSuffix = ".receipt"

// maxReceipts is how many receipts may lie beside one plan.
const maxReceipts = 1000

// receiptNames yields the names of the receipts beside base, in the order in
// which they were made, and at last the first name that is free.
func receiptNames(base string) iter.Seq2[string, bool] {
	return func(yield func(path string, free bool) bool) {
		for i := 1; i < maxReceipts; i++ {
			path := base + receiptSuffix
			if i > 1 {
				path = fmt.Sprintf("%s.%d%s", base, i, receiptSuffix)
			}
			_, err := os.Lstat(path)
			free := errors.Is(err, fs.ErrNotExist)
			if !yield(path, free) || free {
				return
			}
		}
	}
}

// Receipts returns the receipts that lie beside a plan.
func Receipts(planPath string) (out []string) {
	for path, free := range receiptNames(planPath) {
		if !free {
			out = append(out, path)
		}
	}
	return out
}

// chooseReceipt names the receipt: the one that was given; else, beside the
// plan, the unfinished one that this card is proved to belong to; else one that
// it may belong to by what it says of itself; else the first name that is free.
func (w *work) chooseReceipt(planPath string) {
	if w.req.Receipt = w.flags.Receipt; w.req.Receipt != "" {
		return
	}
	for path, free := range receiptNames(planPath) {
		if free {
			w.req.Receipt = cmp.Or(w.req.Receipt, path)
			return
		}
		r, err := receipt.Read(path)
		if err != nil || r.Finished() || r.Plan != w.req.Digest || !r.Same(w.facts) {
			continue
		}
		w.req.Receipt = cmp.Or(w.req.Receipt, path)
		if safety.Proves(r, w.target) {
			w.req.Receipt = path
			return
		}
	}
}

// anewLine is the command that was typed, with a receipt of its own for this
// card, for one that turns out to be another than that of an unfinished receipt.
func (w *work) anewLine(planPath string) string {
	for path, free := range receiptNames(planPath) {
		if free {
			return withoutFlags(w.commandLine("--receipt", path), w.flags)
		}
	}
	return ""
}

// withoutFlags takes the word and the receipt that were typed out of a line.
func withoutFlags(line string, flags Flags) string {
	for flag, value := range map[string]string{"--confirm": flags.Confirm, "--receipt": flags.Receipt} {
		for _, between := range []string{" ", "="} {
			if value != "" {
				line = strings.Replace(line, " "+words.Verbatim(flag+between+value), "", 1)
				line = strings.Replace(line, " "+flag+between+words.Verbatim(value), "", 1)
			}
		}
	}
	return line
}

// findEarlier finds the receipts of earlier writes beside the plan: by them a
// card that was written here is known, and its tries are counted.
func (w *work) findEarlier(planPath string, given []string) error {
	for _, path := range given {
		if _, err := receipt.Read(path); err != nil {
			return err
		}
	}
	dir := filepath.Dir(planPath)
	list, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	candidates := slices.Clone(given)
	for _, e := range list {
		if strings.HasSuffix(e.Name(), receiptSuffix) && e.Type().IsRegular() {
			candidates = append(candidates, filepath.Join(dir, e.Name()))
		}
	}
	w.req.Try = 1
	for _, path := range candidates {
		if slices.ContainsFunc(w.req.Earlier, func(p string) bool { return sameFile(p, path) }) {
			continue
		}
		r, err := receipt.Read(path)
		if err != nil || r.Kind != receipt.Write || r.Stage != receipt.StageDone || !r.Same(w.facts) {
			continue
		}
		w.req.Earlier = append(w.req.Earlier, path)
		w.req.Try++
	}
	return nil
}

func sameFile(a, b string) bool {
	x, err1 := os.Stat(a)
	y, err2 := os.Stat(b)
	return err1 == nil && err2 == nil && os.SameFile(x, y)
}
