package step

import (
	"cmp"
	"strings"

	"lendkeep/reconcile/facts"
)

// Thing is something that steps need or change. It has one value at a time. What
// each kind is at first, and which facts an order relies on for it, stands in
// order/things.go.
type Thing struct{ Kind, Name string }

// String gives kind and name, as orders hold them: "mount /srv/shelf".
func (t Thing) String() string {
	if t.Name == "" {
		return t.Kind
	}
	return t.Kind + " " + t.Name
}

// Compare puts things in the sequence of their texts: no kind begins another.
func (t Thing) Compare(other Thing) int {
	return cmp.Or(strings.Compare(t.Kind, other.Kind), strings.Compare(t.Name, other.Name))
}

// MarshalText writes it as String does.
func (t Thing) MarshalText() ([]byte, error) { return []byte(t.String()), nil }

// UnmarshalText reads it back, whatever its kind.
func (t *Thing) UnmarshalText(text []byte) error {
	t.Kind, t.Name, _ = strings.Cut(string(text), " ")
	return nil
}

// Condition is something that a step needs or makes true: another value of the
// same thing is the contrary.
type Condition struct {
	Of    Thing
	Value string
}

// contrary tells whether anything given is contrary to a condition.
func contrary(given, conditions []Condition) bool {
	for _, g := range given {
		for _, c := range conditions {
			if g.Of == c.Of && g.Value != c.Value {
				return true
			}
		}
	}
	return false
}

func is(kind, name, value string) Condition { return Condition{Thing{kind, name}, value} }

func guestIs(name, value string) Condition { return is("guest", name, value) } // on, off

func definitionIs(guest, value string) Condition { return is("definition", guest, value) } // as planned, none

func controllerIs(name, value string) Condition { return is("controller", name, value) } // home, aside, let go, lent to a guest

func mountIs(path, value string) Condition { return is("mount", path, value) } // mounted, absent

func driveIs(controller, value string) Condition { return is("drive", controller, value) } // as found, blank, copied, filled

func filesystemIs(controller, partition, value string) Condition { // absent, made
	return is("filesystem", controller+" "+partition, value)
}

func imageIs(path, value string) Condition { return is("image", path, value) } // as planned

func madeIs(path, value string) Condition { return is("made", path, value) } // absent, whole

func firmwareIs(path, value string) Condition { return is("firmware", path, value) } // as planned

func variablesAre(store, value string) Condition { return is("variables", store, value) } // as before, as planned

func romIs(path, value string) Condition { return is("rom", path, value) } // absent, in place

func shimIs(path, value string) Condition { return is("shim", path, value) } // absent, in place

// questionIs is about what is known of a question about the system in an image.
func questionIs(q facts.Matter, image, value string) Condition { // as seen
	return is("question", string(q)+questionIn+image, value)
}

const questionIn = " in "

// QuestionOf gives the question and the image that such a thing's name tells. No
// question has the word in it that stands between.
func QuestionOf(name string) (question facts.Matter, image string) {
	q, image, _ := strings.Cut(name, questionIn)
	return facts.Matter(q), image
}

func systemIs(controller, value string) Condition { return is("system", controller, value) } // as copied, starts at boot

func pagesAre(name, value string) Condition { return is("pages", name, value) } // as before, as planned

func virtualsAre(controller, value string) Condition { return is("virtuals", controller, value) } // as before, as planned

func guardIs(value string) Condition { return is("guard", "", value) } // in force, absent

func watchIs(value string) Condition { return is("watch", "", value) } // in force, absent

func confirmationIs(name, value string) Condition { return is("confirmation", name, value) } // not given, given
