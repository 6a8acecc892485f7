package input

import (
	"strings"
	"time"

	"bootgraft/cmd/bootgraft/talk"
)

// ParseRest reads 10m/20m: work for ten minutes, rest for twenty.
func ParseRest(text string) (work, rest time.Duration, err error) {
	if text == "" {
		return 0, 0, nil
	}
	a, b, ok := strings.Cut(text, "/")
	work, err1 := time.ParseDuration(a)
	rest, err2 := time.ParseDuration(b)
	if !ok || err1 != nil || err2 != nil || work <= 0 || rest <= 0 {
		return 0, 0, talk.Usagef("--rest %s is not understood: it is two times, to work and to rest, as in 10m/20m", text)
	}
	return work, rest, nil
}
