package main

import (
	"encoding/json"
	"reflect"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
)

// TestStartsIsOneAnswer: whether a card starts is said by plan and by starts, and both
// say the same.
func TestStartsIsOneAnswer(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	if err := saveDemoDrive(y.path("old.img")); err != nil {
		t.Fatal(err)
	}
	for size, end := range map[string]int{"614400s": talk.ExitDone, "520000s": talk.ExitRefused} {
		said, _ := y.types(talk.ExitDone, "plan", "old.img", "--size", size, "-o", size, "--json")
		var planned struct{ Starts *document.StartsAnswer }
		if err := json.Unmarshal([]byte(said), &planned); err != nil {
			t.Fatal(err)
		}
		said, _ = y.types(end, "starts", size, "--json")
		var judged document.Starts
		if err := json.Unmarshal([]byte(said), &judged); err != nil {
			t.Fatal(err)
		}
		if planned.Starts == nil || len(judged.Ways) == 0 || !reflect.DeepEqual(*planned.Starts, judged.StartsAnswer) {
			t.Errorf("%s: plan says %+v, starts %+v", size, planned.Starts, judged.StartsAnswer)
		}
	}
}
