package order

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/step"
)

// sequence sorts steps by what they need and give. For each thing (a guest, a
// controller, a mount) the steps that change it form a chain from its value at
// the start; a step that needs a value stands in the last stretch of the chain
// where the thing has it. Where that leaves a choice, the given sequence stays.
func sequence(steps []step.Written, initially func(of string) string) ([]step.Written, error) {
	g := graph{steps: steps, after: make([]map[int]bool, len(steps))}
	for i := range g.after {
		g.after[i] = map[int]bool{}
	}
	for _, of := range g.things() {
		if err := g.chain(of, initially(of)); err != nil {
			return nil, err
		}
	}
	return g.sort()
}

type graph struct {
	steps []step.Written
	after []map[int]bool // after[i] has every step that must come before step i
}

// things lists what steps need or give, each once, as first met.
func (g *graph) things() []string {
	var list []string
	seen := map[string]bool{}
	for _, s := range g.steps {
		for _, f := range append(s.Step.Needs(), s.Step.Gives()...) {
			if !seen[f.Of] {
				seen[f.Of] = true
				list = append(list, f.Of)
			}
		}
	}
	return list
}

// chain links the givers of one thing, then hangs those who only need it
// between them.
func (g *graph) chain(of, value string) error {
	var givers, needers []int
	for i, s := range g.steps {
		switch {
		case valueOf(s.Step.Gives(), of) != "":
			givers = append(givers, i)
		case valueOf(s.Step.Needs(), of) != "":
			needers = append(needers, i)
		}
	}
	links := []int{-1} // -1 stands for the host as it is
	values := []string{value}
	for len(givers) > 0 {
		next := g.next(givers, of, value)
		if next < 0 {
			return fmt.Errorf("sequence %q: it is %q and no step goes on from there", of, value)
		}
		giver := givers[next]
		givers = slices.Delete(givers, next, next+1)
		g.link(links[len(links)-1], giver)
		value = valueOf(g.steps[giver].Step.Gives(), of)
		links, values = append(links, giver), append(values, value)
	}
	for _, needer := range needers {
		if err := g.hang(needer, of, links, values); err != nil {
			return err
		}
	}
	return nil
}

// next picks the giver that goes on from a value; one that needs exactly this
// value comes before one that does not care.
func (g *graph) next(givers []int, of, value string) int {
	indifferent := -1
	for n, giver := range givers {
		switch valueOf(g.steps[giver].Step.Needs(), of) {
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

func (g *graph) hang(needer int, of string, links []int, values []string) error {
	want := valueOf(g.steps[needer].Step.Needs(), of)
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
	return fmt.Errorf("sequence %q: %s needs it to be %q, and it never is", of, g.steps[needer].Step.Does(), want)
}

func (g *graph) link(before, after int) {
	if before >= 0 && before != after {
		g.after[after][before] = true
	}
}

func (g *graph) sort() ([]step.Written, error) {
	var list []step.Written
	done := make([]bool, len(g.steps))
	for len(list) < len(g.steps) {
		ready := slices.IndexFunc(g.after, func(before map[int]bool) bool { return before != nil && len(before) == 0 })
		if ready < 0 {
			return nil, fmt.Errorf("sequence steps: %s waits for itself", g.steps[slices.Index(done, false)].Step.Does())
		}
		list = append(list, g.steps[ready])
		done[ready], g.after[ready] = true, nil
		for _, before := range g.after {
			delete(before, ready)
		}
	}
	return list, nil
}

func valueOf(list []step.Fact, of string) string {
	for _, f := range list {
		if f.Of == of {
			return f.Value
		}
	}
	return ""
}
