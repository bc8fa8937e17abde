package guard_test

import (
	"context"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/providers/archive"
	"lendkeep/providers/sysfs"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
)

// looks gives a host as a survey reads it off its kernel, whole and by a question,
// with what only the kernel answers, and where paths lead, as it was.
func looks(t require.TestingT, seen *facts.Survey, q facts.Question) (whole, narrow *facts.Index) {
	host, err := archive.Parse(invented.Tree(seen))
	require.NoError(t, err)
	tree, err := sysfs.OpenFS(host)
	require.NoError(t, err)
	ctx := context.Background()
	w, err := tree.Survey(ctx, nil)
	require.NoError(t, err)
	n, err := tree.Answer(ctx, q)
	require.NoError(t, err)
	w.Paths = append(slices.Clone(q.Paths), slices.DeleteFunc(w.Paths, func(p facts.Path) bool {
		return slices.ContainsFunc(q.Paths, func(other facts.Path) bool { return other.Named == p.Named })
	})...)
	for _, s := range []*facts.Survey{&w, &n} {
		answered(s, seen)
		for i := range s.Paths { // no file is in the tree
			s.Paths[i].Missing = slices.ContainsFunc(seen.Paths, func(p facts.Path) bool { return p.Named == s.Paths[i].Named && p.Missing })
		}
	}
	return facts.NewIndex(&w), facts.NewIndex(&n)
}

// answered adds what the kernel answered, and names.
func answered(s, seen *facts.Survey) {
	for _, m := range seen.Mounts {
		if m.Elsewhere != "" {
			s.Mounts = append(s.Mounts, m)
		}
	}
	before := facts.NewIndex(seen)
	for i := range s.Functions {
		f := &s.Functions[i]
		was := before.Function(f.Address)
		f.DeviceName, f.Asked = was.DeviceName, was.Asked
		for _, a := range was.Attached { // what is not open is in the tree
			if len(a.Openers) > 0 {
				f.Attached = append(f.Attached, a)
			}
		}
	}
	for i := range s.Blocks {
		if was := before.Block(s.Blocks[i].Name); was != nil {
			s.Blocks[i].Exclusive, s.Blocks[i].Openers = was.Exclusive, was.Openers
		}
	}
}

// sameBefore holds that a look at no more than a start's question asks for leads to
// the same verdict as one at the whole host, in every word.
func sameBefore(t require.TestingT, r guard.Rules, seen *facts.Survey, call guard.Call) guard.Verdict {
	whole, narrow := looks(t, seen, guard.Asks(r, call, seen.Paths))
	want := guard.Before(r, whole, call)
	require.Equal(t, want, guard.Before(r, narrow, call))
	return want
}

// sameAfter is the same of an end, and of the ladder for each controller.
func sameAfter(t require.TestingT, r guard.Rules, seen *facts.Survey, call guard.Call) guard.Return {
	whole, narrow := looks(t, seen, guard.AsksAfter(r, call))
	whole.Survey.Contents, narrow.Survey.Contents = seen.Contents, seen.Contents
	whole, narrow = facts.NewIndex(whole.Survey), facts.NewIndex(narrow.Survey)
	want := guard.After(r, whole, call)
	require.Equal(t, want, guard.After(r, narrow, call))
	for _, m := range want.Wait {
		for _, tried := range [][]guard.Attempt{nil, attempts(m.Controller.Address, guard.Probe, guard.Rebind)} {
			require.Equal(t, guard.NextRung(whole, m.Controller, tried), guard.NextRung(narrow, m.Controller, tried))
		}
	}
	return want
}

// What is read for a question is enough: on any host, with whatever use of it, any
// guest's start and end is decided as by the whole.
func TestAQuestionSeesEnough(t *testing.T) {
	refused, started := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		survey, layout := invented.Any(t)
		rules, err := guard.Decode(order.CompileRules(assess.NewCase(layout, facts.NewIndex(&survey), nil)).Encode())
		if err != nil {
			return // a layout that no order is made of
		}
		for _, g := range survey.Libvirt.Guests {
			seen := survey.Answered()
			seen.Libvirt = facts.Virtualization{}
			call := guard.Call{Guest: g.Name, Definition: *g.Kept}
			located := rules.Located(*g.Kept)
			for _, named := range located.Paths() {
				if !slices.ContainsFunc(seen.Paths, func(p facts.Path) bool { return p.Named == named }) {
					seen.Paths = append(seen.Paths, facts.Path{Named: named, Resolved: named})
				}
			}
			if sameBefore(t, rules, &seen, call).Refuse != "" {
				refused++
			} else {
				started++
			}
			sameAfter(t, rules, &seen, call)
		}
	})
	assert.Positive(t, refused)
	assert.Positive(t, started)
}

// A question that forgets something is found out: what was not read counts as in use.
func TestWhatIsNotReadIsInUse(t *testing.T) {
	b := newBench(t)
	b.unmounted()
	seen := *b.index().Survey
	_, narrow := looks(t, &seen, facts.Question{Paths: seen.Paths})
	assert.NotEmpty(t, guard.Before(b.rules, narrow, b.call).Refuse, "its controller was not asked for")
	assert.NotEmpty(t, narrow.LiveUses(b.reel))
	require.NotEmpty(t, guard.After(b.rules, narrow, b.call).Wait)
	assert.Empty(t, guard.NextRung(narrow, b.reelOf(), nil).Rung, "nothing is done to it")

	card := b.Card(b.reel, "")
	seen = *b.index().Survey
	_, narrow = looks(t, &seen, facts.Question{Functions: []facts.Address{b.spare}})
	require.NotNil(t, narrow.Function(card).Group)
	assert.Len(t, narrow.Blockers(*narrow.Function(card).Group, nil), 2, "nor what else is in its group")
}
