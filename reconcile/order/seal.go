package order

import (
	"bytes"
	"crypto/sha256"
	"encoding/base32"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"lendkeep/reconcile/step"
	"lendkeep/reconcile/strict"
	"lendkeep/spec/plain"
)

// ErrDamaged says that an order file is not what lendkeep wrote.
var ErrDamaged = errors.New("the order file was changed or damaged")

// ErrOtherVersion says that an order file is of another version than is read.
var ErrOtherVersion = errors.New("it is of another version")

// ErrOtherCode says that an approval code belongs to another order.
var ErrOtherCode = errors.New("the approval code is not the code of this order")

// Sealed is an order together with its exact bytes.
type Sealed struct {
	Order Order
	bytes []byte
}

// file is the order file: the order's exact bytes under their checksum.
type file struct {
	Seal  string          `json:"sha256"`
	Order json.RawMessage `json:"order"`
}

// Seal fixes the bytes of an order.
func Seal(o Order) (Sealed, error) {
	var buffer bytes.Buffer
	encoder := json.NewEncoder(&buffer)
	encoder.SetEscapeHTML(false)
	encoder.SetIndent("", " ")
	if err := encoder.Encode(o); err != nil {
		return Sealed{}, fmt.Errorf("seal order: %w", err)
	}
	if buffer.Len() > MaxBytes {
		return Sealed{}, fmt.Errorf("seal order: its %d bytes are more than the %d that are read back", buffer.Len(), MaxBytes)
	}
	return Sealed{o, plain.JSON(bytes.TrimSpace(buffer.Bytes()))}, nil
}

// ID is the sha256 of the order's exact bytes, in hexadecimal.
func (s Sealed) ID() string {
	sum := sha256.Sum256(s.bytes)
	return hex.EncodeToString(sum[:])
}

// Code is the approval code: the first 80 bits of the ID in base32 (RFC 4648,
// section 6: no 0, 1, 8 or 9 that could be taken for a letter), sixteen letters
// and digits in four groups that can be read aloud. An order with the code
// of a given one takes some 2^80 tries to find. Who writes both orders needs
// 2^40 for two with one code, which is within reach: a code approves what its
// reader was shown by the lendkeep that carries it out, no file of a stranger's.
func (s Sealed) Code() string {
	sum := sha256.Sum256(s.bytes)
	text := base32.StdEncoding.EncodeToString(sum[:10])
	return strings.Join([]string{text[:4], text[4:8], text[8:12], text[12:]}, "-")
}

// File gives the order file.
func (s Sealed) File() []byte {
	return fmt.Appendf(nil, "{\n\"sha256\": %q,\n\"order\": %s\n}\n", s.ID(), s.bytes)
}

// MaxBytes bounds an order file: one with a thousand changed definitions of
// 20 KB each has about 50 MB.
const MaxBytes = 64 << 20

// Open reads an order file strictly. A file that does not match its own
// checksum is ErrDamaged, and so is one that is not to the byte what lendkeep
// writes for what it says: nothing may hide between the values or after them.
func Open(content []byte) (Sealed, error) {
	var f file
	if err := strict.ReadWhole(content, MaxBytes, &f); err != nil {
		return Sealed{}, fmt.Errorf("read order: %w: %w", ErrDamaged, err)
	}
	s := Sealed{bytes: f.Order}
	if f.Seal != s.ID() {
		return Sealed{}, fmt.Errorf("read order: %w: its content does not match its checksum", ErrDamaged)
	}
	if err := s.read(); err != nil {
		return Sealed{}, fmt.Errorf("read order: %w", err)
	}
	again, err := Seal(s.Order)
	if err != nil {
		return Sealed{}, fmt.Errorf("read order: %w", err)
	}
	if !bytes.Equal(again.File(), content) {
		return Sealed{}, fmt.Errorf("read order: %w: it is not written as lendkeep writes what it says", ErrDamaged)
	}
	return again, nil
}

// read reads an order's bytes. What another version has in it may not be known
// here, so its number is looked for before anything is said of that.
func (s *Sealed) read() error {
	err := strict.ReadInner(s.bytes, &s.Order)
	if err == nil && s.Order.Format == Format {
		return nil
	}
	var head struct {
		Format int `json:"format"`
	}
	if wrong := strict.ReadSome(s.bytes, MaxBytes, &head); wrong != nil {
		return wrong
	}
	if head.Format != Format {
		return fmt.Errorf("%w: %d, this lendkeep reads version %d; plan again", ErrOtherVersion, head.Format, Format)
	}
	return err
}

// Approval is an order that somebody has approved. It can be had from Approve
// only, so that nothing else can be carried out.
type Approval struct{ sealed Sealed }

// ErrNotErased says that a serial which must be spelled out is missing.
var ErrNotErased = errors.New("a drive is erased whose serial was not given")

// Erases gives the serials of the drives that the order erases, each once.
func (o Order) Erases() []string {
	return o.serials(func(a step.About) string { return a.Erases })
}

// UndoErases gives the serials of the drives that undoing the order erases.
func (o Order) UndoErases() []string {
	return o.serials(func(a step.About) string { return a.UndoErases })
}

func (o Order) serials(of func(step.About) string) []string {
	var list []string
	for _, w := range o.Steps {
		if serial := of(w.Step.About()); serial != "" && !slices.Contains(list, serial) {
			list = append(list, serial)
		}
	}
	return list
}

// ByHand names the guests in which the order has steps by hand, each once.
func (o Order) ByHand() []string {
	var list []string
	for _, w := range o.Steps {
		if hand, ok := w.Step.(*step.ByHand); ok && !slices.Contains(list, hand.Guest) {
			list = append(list, hand.Guest)
		}
	}
	return list
}

// Approve approves an order by its code; letter case, white space and hyphens do
// not matter, as they change when a code is pasted. Any other code is
// ErrOtherCode. The serial of every drive that the
// order erases must be given too, exactly; else it is ErrNotErased.
func Approve(s Sealed, code string, serials ...string) (Approval, error) {
	for _, serial := range s.Order.Erases() {
		if !slices.Contains(serials, serial) {
			return Approval{}, fmt.Errorf("approve order: drive %s: %w", serial, ErrNotErased)
		}
	}
	if bare(code) != bare(s.Code()) {
		return Approval{}, fmt.Errorf("approve order: %w", ErrOtherCode)
	}
	return Approval{s}, nil
}

// bare leaves of a code what counts: letters and digits.
func bare(code string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) || unicode.Is(unicode.Pd, r) || unicode.Is(unicode.Cf, r) {
			return -1
		}
		return unicode.ToUpper(r)
	}, code)
}

// Sealed gives what was approved.
func (a Approval) Sealed() Sealed { return a.sealed }
