package input

import (
	"bytes"
	"fmt"
	"io"

	"bootgraft/image"
	"bootgraft/layout/rule/compare"
)

// ReadRules reads a rule file. text is the file as it is.
func ReadRules(path string) (r *compare.Rules, text []byte, err error) {
	f, err := image.Open(path, 512)
	if err != nil {
		return nil, nil, SourceError(path, err)
	}
	defer f.Close()
	if text, err = io.ReadAll(io.NewSectionReader(f, 0, compare.MaxFile+1)); err != nil {
		return nil, nil, err
	}
	if r, err = compare.Decode(bytes.NewReader(text)); err != nil {
		return nil, nil, fmt.Errorf("%s cannot be used: %w. Rules are made by: bootgraft compare A B C -o RULES", path, err)
	}
	return r, text, nil
}
