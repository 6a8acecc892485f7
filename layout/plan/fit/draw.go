package fit

// drawing is the whole card: what lies where, and what is made new on it.
type drawing struct {
	*placement
	base []segment // the card before anything is made new on it
	ruled
	answered
}

// draw lays the source on the card, and on that what tables and rules make new.
func (p *placement) draw(tables patches) (*drawing, said, error) {
	lies := p.ground()
	d := &drawing{placement: p, base: lies.segments()}
	made, out, err := p.applyRules(d.base, tables)
	if err != nil {
		return nil, out, err
	}
	d.ruled = made
	out.also(p.tellWalls())
	out.also(p.tellHeads())
	answer, more, err := p.answerMissing(d.base, made.patches)
	if err != nil {
		return nil, out, err
	}
	d.answered = *answer
	out.also(more)
	return d, out, nil
}
