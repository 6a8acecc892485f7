package input

import (
	"fmt"
	"os"

	"bootgraft/layout/rule/compare"
)

// OpenRules reads a rule file.
func OpenRules(path string) (*compare.Rules, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, SourceError(path, err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err == nil && !st.Mode().IsRegular() {
		err = fmt.Errorf("%s is not a regular file", path)
	}
	if err != nil {
		return nil, err
	}
	r, err := compare.Decode(f)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be used: %w. Rules are made by: bootgraft compare A B C -o RULES", path, err)
	}
	return r, nil
}
