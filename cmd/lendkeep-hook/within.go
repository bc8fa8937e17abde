package main

import (
	"context"
	"fmt"
	"time"
)

// bound is how long something may take. What knows of its limit ends by itself,
// with a better word of why, and has a little more to do so.
type bound struct{ limit, more time.Duration }

// endless is an error of something that did not come to an end.
type endless struct {
	what  string
	limit time.Duration
}

func (e endless) Error() string { return fmt.Sprintf("%s did not end within %s", e.what, e.limit) }

// within does what may never end: a read of a filesystem whose server is gone, or
// of a device that hangs, cannot be stopped. Over its limit it is left behind, and
// ends with the process. What it has made by then must not be used.
func within[T any](b bound, what string, do func(context.Context) (T, error)) (T, error) {
	ctx, cancel := context.WithTimeout(context.Background(), b.limit)
	defer cancel()
	late, over := context.WithTimeoutCause(context.Background(), b.limit+b.more, endless{what, b.limit})
	defer over()
	return until(late, func() (T, error) { return do(ctx) })
}

// quietly is within for what nobody waits for the outcome of.
func quietly(limit time.Duration, do func()) {
	_, _ = within(bound{limit: limit}, "", func(context.Context) (struct{}, error) {
		do()
		return struct{}{}, nil
	})
}

// until waits for something that may never end as long as ctx lasts, and leaves it
// behind then, with the cause of ctx's end.
func until[T any](ctx context.Context, do func() (T, error)) (T, error) {
	type end struct {
		made   T
		err    error
		broken any
	}
	ended := make(chan end, 1)
	go func() {
		var e end
		defer func() {
			e.broken = recover()
			ended <- e
		}()
		e.made, e.err = do()
	}()
	select {
	case e := <-ended:
		if e.broken != nil {
			panic(e.broken) // where it is looked for
		}
		return e.made, e.err
	case <-ctx.Done():
		var nothing T
		return nothing, context.Cause(ctx)
	}
}
