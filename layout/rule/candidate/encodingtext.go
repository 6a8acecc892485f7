package candidate

import (
	"fmt"
	"strings"
)

// Text says for a person how a number is written.
func (e Encoding) Text() string {
	form, err := FormOf(e)
	if err != nil {
		return string(e)
	}
	name, swap, _ := strings.Cut(string(e), "-swap")
	n := form.Width
	switch kind := strings.TrimRight(name, "0123456789"); kind {
	case "u":
		return "1 byte"
	case "bcd":
		return fmt.Sprintf("%d bytes, two decimal digits each", n)
	case "lebcd":
		return fmt.Sprintf("%d bytes, two decimal digits each, the lowest first", n)
	case "dec":
		return fmt.Sprintf("%d decimal digits", n)
	case "sdec":
		return fmt.Sprintf("%d decimal digits, blanks in front", n)
	case "hex":
		return fmt.Sprintf("%d hexadecimal digits, small letters", n)
	case "HEX":
		return fmt.Sprintf("%d hexadecimal digits, capitals", n)
	case "be":
		return fmt.Sprintf("%d bytes, highest first%s", n, swapText(swap))
	default:
		return fmt.Sprintf("%d bytes, lowest first%s", n, swapText(swap))
	}
}

func swapText(bits string) string {
	switch bits {
	case "16":
		return ", then the bytes of each 16-bit word exchanged"
	case "32":
		return ", then each 32-bit word reversed"
	}
	return ""
}
