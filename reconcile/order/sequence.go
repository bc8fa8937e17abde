package order

import (
	"container/heap"
	"fmt"
	"slices"
	"sort"

	"lendkeep/reconcile/step"
)

// sequence sorts steps by what they need and give. For each thing (a guest, a
// controller, a mount) the steps that change it form a chain from its value at
// the start; a step that needs a value stands in the last stretch of the chain
// where the thing has it. Where that leaves a choice, the given sequence stays.
func sequence(steps []step.Written, initially func(step.Thing) (string, error)) ([]step.Written, error) {
	g := graph{steps: steps, before: make([]map[int]bool, len(steps)), things: map[step.Thing]*thing{}}
	for i := range steps {
		g.before[i] = map[int]bool{}
		g.note(i)
	}
	for _, t := range g.list {
		value, err := initially(t.is)
		if err == nil {
			err = g.chain(t, value)
		}
		if err != nil {
			return nil, err
		}
	}
	return g.sort()
}

type graph struct {
	steps  []step.Written
	before []map[int]bool // before[i] has every step that must come before step i
	things map[step.Thing]*thing
	list   []*thing // as first met
}

// thing is what steps need or give values of.
type thing struct {
	is      step.Thing
	givers  []int
	needers []int // those that only need it
	needs   map[int]string
	gives   map[int]string
}

func (g *graph) note(i int) {
	about := g.steps[i].Step.About()
	for _, needed := range about.Needs {
		g.thing(needed.Of).needs[i] = needed.Value
	}
	for _, given := range about.Gives {
		t := g.thing(given.Of)
		t.gives[i] = given.Value
		t.givers = append(t.givers, i)
	}
	for _, needed := range about.Needs {
		if t := g.thing(needed.Of); t.gives[i] == "" {
			t.needers = append(t.needers, i)
		}
	}
}

func (g *graph) thing(of step.Thing) *thing {
	if t := g.things[of]; t != nil {
		return t
	}
	t := &thing{is: of, needs: map[int]string{}, gives: map[int]string{}}
	g.things[of] = t
	g.list = append(g.list, t)
	return t
}

// chain links the givers of one thing, then hangs those who only need it
// between them.
func (g *graph) chain(t *thing, value string) error {
	links := []int{-1} // -1 stands for the host as it is
	values := []string{value}
	for givers := slices.Clone(t.givers); len(givers) > 0; {
		next := t.next(givers, value)
		if next < 0 {
			return fmt.Errorf("sequence %q: it is %q and no step goes on from there", t.is, value)
		}
		giver := givers[next]
		givers = slices.Delete(givers, next, next+1)
		g.link(links[len(links)-1], giver)
		value = t.gives[giver]
		links, values = append(links, giver), append(values, value)
	}
	for _, needer := range t.needers {
		if err := g.hang(needer, t, links, values); err != nil {
			return err
		}
	}
	return nil
}

// next picks the giver that goes on from a value; one that needs exactly this
// value comes before one that does not care.
func (t *thing) next(givers []int, value string) int {
	indifferent := -1
	for n, giver := range givers {
		switch t.needs[giver] {
		case value:
			return n
		case "":
			if indifferent < 0 {
				indifferent = n
			}
		}
	}
	return indifferent
}

func (g *graph) hang(needer int, t *thing, links []int, values []string) error {
	want := t.needs[needer]
	for n := len(values) - 1; n >= 0; n-- {
		if values[n] != want {
			continue
		}
		g.link(links[n], needer)
		if n+1 < len(links) {
			g.link(needer, links[n+1])
		}
		return nil
	}
	return fmt.Errorf("sequence %q: %s needs it to be %q, and it never is", t.is, g.steps[needer].Step.About().Does, want)
}

func (g *graph) link(before, after int) {
	if before >= 0 && before != after {
		g.before[after][before] = true
	}
}

// sort puts every step behind those that must come before it; of several that
// could come next, the one that was given first.
func (g *graph) sort() ([]step.Written, error) {
	behind := make([][]int, len(g.steps))
	waits := make([]int, len(g.steps))
	ready := &firstFirst{}
	for i, before := range g.before {
		for b := range before {
			behind[b] = append(behind[b], i)
		}
		if waits[i] = len(before); waits[i] == 0 {
			heap.Push(ready, i)
		}
	}
	var list []step.Written
	for ready.Len() > 0 {
		i := heap.Pop(ready).(int)
		list = append(list, g.steps[i])
		for _, later := range behind[i] {
			if waits[later]--; waits[later] == 0 {
				heap.Push(ready, later)
			}
		}
	}
	if len(list) < len(g.steps) {
		stuck := slices.IndexFunc(waits, func(n int) bool { return n > 0 })
		return nil, fmt.Errorf("sequence steps: %s waits for itself", g.steps[stuck].Step.About().Does)
	}
	return list, nil
}

// firstFirst is a heap of step numbers.
type firstFirst struct{ sort.IntSlice }

// Push implements heap.Interface.
func (f *firstFirst) Push(x any) { f.IntSlice = append(f.IntSlice, x.(int)) }

// Pop implements heap.Interface.
func (f *firstFirst) Pop() any {
	last := f.IntSlice[len(f.IntSlice)-1]
	f.IntSlice = f.IntSlice[:len(f.IntSlice)-1]
	return last
}
