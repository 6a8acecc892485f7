package layout

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
)

// NoKeyTwice refuses JSON in which an object has one key twice: readers take the
// first, the last, or both (RFC 8259, 4), so that it means one thing here and
// another elsewhere. Go's reader does not tell small letters from capitals.
func NoKeyTwice(text []byte) error {
	type object struct {
		keys  map[string]bool // nil in an array
		value bool            // a value comes next, not a key
	}
	var open []object
	for d := json.NewDecoder(bytes.NewReader(text)); ; {
		token, err := d.Token()
		if err != nil {
			return nil // the end, or a fault that the strict reader tells
		}
		if token == json.Delim('}') || token == json.Delim(']') {
			open = open[:len(open)-1]
			continue
		}
		if n := len(open); n > 0 && open[n-1].keys != nil {
			in := &open[n-1]
			if key, isText := token.(string); isText && !in.value {
				k := strings.ToLower(key)
				if in.keys[k] {
					return fmt.Errorf("it has the key %.60q twice", key)
				}
				in.keys[k], in.value = true, true
				continue
			}
			in.value = false
		}
		switch token {
		case json.Delim('{'):
			open = append(open, object{keys: map[string]bool{}})
		case json.Delim('['):
			open = append(open, object{})
		}
	}
}
