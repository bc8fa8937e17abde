package measure

import "errors"

// Problem is something in the way of measuring that was foreseen.
type Problem struct {
	Err  error
	Next string // what to do about it
}

func (p Problem) Error() string { return p.Err.Error() }
func (p Problem) Unwrap() error { return p.Err }

func problem(what, next string) error { return Problem{errors.New(what), next} }
