//go:build linux || darwin || windows

package blockdev

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"
)

// The times of waiting for a disk: how often to look, and how long to look for
// a second one after the first. By hand, no source: often enough to take a disk
// before anything mounts it, and as long as a person hardly notices.
const (
	lookEvery = 25 * time.Millisecond
	settle    = 700 * time.Millisecond
)

// next waits for one new disk and takes it at once, before anything mounts it.
// If another one comes soon after, both are refused and nothing stays held.
// ready is called when the disks that are there are known: what comes from then
// on is new.
func next(ctx context.Context, ready func(), take func(node string) error, release func() error) (err error) {
	before, err := diskNumbers()
	if err != nil {
		return err
	}
	ready()
	var first string
	var until time.Time
	defer func() {
		if err != nil && first != "" {
			err = errors.Join(err, release())
		}
	}()
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		fresh, err := newSince(before)
		switch {
		case err != nil:
			return err
		case len(fresh) > 1:
			return &TwoNewError{fresh}
		case first == "" && len(fresh) == 1:
			if err := take(fresh[0]); err != nil {
				return err
			}
			first, until = fresh[0], time.Now().Add(settle)
		case first != "" && !slices.Contains(fresh, first):
			return fmt.Errorf("%s went away again", first)
		case first != "" && time.Now().After(until):
			return nil
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// newSince returns the nodes of the disks that were not there before.
func newSince(before map[string]string) ([]string, error) {
	now, err := diskNumbers()
	if err != nil {
		return nil, err
	}
	var fresh []string
	for n, medium := range now {
		if before[n] != medium {
			fresh = append(fresh, nodeOf(n))
		}
	}
	slices.Sort(fresh)
	return fresh, nil
}

// NextTarget waits for one new disk and holds it as a target. ready is called
// when a disk that comes would be seen.
func NextTarget(ctx context.Context, ready func()) (*Target, error) {
	return nextHeld(ctx, ready, OpenTarget)
}

// NextReadOnly waits for one new disk and holds it, to look at it alone.
func NextReadOnly(ctx context.Context, ready func()) (*Target, error) {
	return nextHeld(ctx, ready, OpenReadOnly)
}

// NextSource waits for one new disk and holds it as a source.
func NextSource(ctx context.Context, ready func()) (*Source, error) {
	return nextHeld(ctx, ready, OpenSource)
}

func nextHeld[T io.Closer](ctx context.Context, ready func(), open func(path string) (T, error)) (held T, err error) {
	var t T
	err = next(ctx, ready, func(node string) (err error) {
		t, err = open(node)
		return err
	}, func() error { return t.Close() })
	if err != nil {
		return held, err
	}
	return t, nil
}
