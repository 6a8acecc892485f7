package compare

import "testing"

// TestRulesComeFirst: what the rules make is the first try, also where it is so unlikely
// that no world has listed it.
func TestRulesComeFirst(t *testing.T) {
	likely, plain := choice{key: "likely", share: 0.9}, choice{key: "plain", share: 0.01, plain: true}
	for _, c := range []struct {
		all  []choice
		want int
	}{{[]choice{likely, plain}, 2}, {[]choice{likely}, 2}, {nil, 1}} {
		got := rulesFirst(c.all, Count{})
		if len(got) != c.want || !got[0].plain {
			t.Errorf("of %+v comes %+v", c.all, got)
		}
	}
}
