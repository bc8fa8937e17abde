package speed

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"

	"lendkeep/reconcile/strict"
)

// MaxBytes bounds a result file: the largest that Decode takes has six series of
// MaxRuns runs.
const MaxBytes = 1 << 20

// Encode writes the result in its one form: indented JSON with a final newline, and
// the sum of all else set, and the version. A result that Decode would refuse is an error.
func (r Result) Encode() ([]byte, error) {
	r.Format = Format
	r.Sum = r.sum()
	if err := r.sound(); err != nil {
		return nil, fmt.Errorf("write result: %w", err)
	}
	return r.bytes(), nil
}

// Decode reads a result strictly: another version, a field that is unknown, missing
// or there twice, anything after the end, another sum, values out of their range
// and values that contradict each other are errors, which say what to do. The sum
// does not say who has made it: what comes out of a guest is what the guest wants
// to say.
func Decode(content []byte) (Result, error) {
	r, err := decode(content)
	if err != nil {
		return Result{}, fmt.Errorf("read result: %w; fetch it again, or measure again", err)
	}
	return r, nil
}

func decode(content []byte) (Result, error) {
	var head struct {
		Format int `json:"format"`
	}
	if err := strict.ReadSome(content, MaxBytes, &head); err != nil {
		return Result{}, err
	}
	if head.Format != Format {
		return Result{}, fmt.Errorf("it is of version %d, this lendkeep reads version %d", head.Format, Format)
	}
	var r Result
	if err := strict.ReadWhole(content, MaxBytes, &r); err != nil {
		return Result{}, err
	}
	if r.Sum != r.sum() {
		return Result{}, errors.New("its sum is not that of its values: it was changed on the way")
	}
	r.Target.Layers, r.Gaps = orNil(r.Target.Layers), orNil(r.Gaps)
	return r, r.sound()
}

// orNil gives a list of nothing as Encode writes it: not at all.
func orNil[T any](list []T) []T {
	if len(list) == 0 {
		return nil
	}
	return list
}

// sum is the SHA-256 of the result's own form without the sum.
func (r Result) sum() string {
	r.Sum = ""
	sum := sha256.Sum256(r.bytes())
	return hex.EncodeToString(sum[:])
}

func (r Result) bytes() []byte {
	if r.Host != nil && r.Host.Others == nil {
		host := *r.Host
		host.Others = []string{}
		r.Host = &host
	}
	var content bytes.Buffer
	encoder := json.NewEncoder(&content)
	encoder.SetIndent("", " ")
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(r); err != nil {
		panic(err) // no field of it can fail: no floats, no interfaces
	}
	return content.Bytes()
}
