package store

import (
	"context"
	"iter"
	"sync"
)

// inOrder does something with each value of a sequence, on several processors at the same time, and
// yields the results in the order of the values. It ends after an error, of the sequence or of a
// result. The sequence runs in a goroutine of its own.
func inOrder[T, R any](ctx context.Context, workers int, values iter.Seq2[T, error], do func(context.Context, T) (R, error)) iter.Seq2[R, error] {
	type result struct {
		value R
		err   error
	}
	type task struct {
		value T
		done  chan result
	}
	return func(yield func(R, error) bool) {
		ctx, stop := context.WithCancel(ctx)
		var all sync.WaitGroup
		defer all.Wait()
		defer stop()
		tasks, order := make(chan task), make(chan task, 2*workers)
		all.Go(func() {
			defer close(order)
			defer close(tasks)
			for v, err := range values {
				t := task{v, make(chan result, 1)}
				select {
				case order <- t:
				case <-ctx.Done():
					return
				}
				if err != nil {
					t.done <- result{err: err}
					return
				}
				select {
				case tasks <- t:
				case <-ctx.Done():
					return
				}
			}
		})
		for range workers {
			all.Go(func() {
				for t := range tasks {
					r, err := do(ctx, t.value)
					t.done <- result{r, err}
				}
			})
		}
		for t := range order {
			select {
			case r := <-t.done:
				if !yield(r.value, r.err) || r.err != nil {
					return
				}
			case <-ctx.Done():
				var none R
				yield(none, ctx.Err())
				return
			}
		}
		if err := ctx.Err(); err != nil {
			var none R
			yield(none, err)
		}
	}
}
