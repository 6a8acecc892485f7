package plan

import (
	"bytes"
	"encoding/json"
)

// SourcePath returns the path of the source that a plan file names, from the
// beginning of the file: also of a plan that was damaged, or cut off, further
// on. It is empty if there is none.
func SourcePath(head []byte) string {
	dec := json.NewDecoder(bytes.NewReader(head))
	depth, name, isName := 0, "", false
	var within []string // names of the objects that are open
	for {
		t, err := dec.Token()
		if err != nil {
			return ""
		}
		switch v := t.(type) {
		case json.Delim:
			switch v {
			case '{', '[':
				depth++
				within = append(within, name)
				isName = v == '{'
			default:
				depth--
				within = within[:len(within)-1]
				isName = true
			}
			continue
		case string:
			if isName {
				name, isName = v, false
				continue
			}
			if depth == 2 && within[1] == "source" && name == "path" {
				return v
			}
		}
		if depth > 2 { // lists come after the path
			return ""
		}
		isName = true
	}
}
