package main

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// mute counts how often an agent is asked, which never answers.
type mute struct{ asked []string }

func (m *mute) AskAgent(_ context.Context, guest, _ string, _ time.Duration) (string, error) {
	m.asked = append(m.asked, guest)
	return "", errors.New("QEMU guest agent is not configured")
}

// agreed is a person who agrees, or does not.
type agreed struct{ says error }

func (a agreed) Confirm(context.Context, *step.ByHand) error { return a.says }
func (a agreed) Forget(context.Context, *step.ByHand) error  { return a.says }

func TestGuestsAreAskedOnceUntilAPersonSaysSomething(t *testing.T) {
	with := func(path string) *facts.Definition {
		return &facts.Definition{XML: "<domain id='3'/>", Disks: []facts.Disk{{Source: path}}}
	}
	guest := func(name, path string) facts.Guest {
		return facts.Guest{Name: name, Running: true, Condition: "running", Live: with(path)}
	}
	channel := &mute{}
	asks := &askedGuests{channel: channel}
	images := []facts.StatedImage{{Path: "/srv/b.img"}, {Path: "/srv/a.img"}, {Path: "/srv/twice.img"}, {Path: "/srv/a.img"}}
	sleeps := guest("b", "/srv/b.img")
	sleeps.Condition = "paused"
	list := []facts.Guest{sleeps, guest("a", "/srv/a.img"), guest("c", "/srv/twice.img"), guest("d", "/srv/twice.img"), guest("e", "/srv/other.img"),
		{Name: "off", Kept: with("/srv/a.img")}}
	look := func() []facts.Installed {
		s := facts.Survey{Libvirt: facts.Virtualization{Guests: list}}
		asks.ask(t.Context(), &s, images)
		return s.Asked
	}

	said := look()
	require.Len(t, said, 2)
	assert.Equal(t, "a", said[0].Guest)
	assert.Equal(t, "no agent: QEMU guest agent is not configured", said[0].Gap)
	assert.Equal(t, facts.Installed{Guest: "b", Gap: "no agent: the guest is paused"}, said[1])
	assert.Equal(t, said, look())
	assert.Equal(t, []string{"a"}, channel.asked)

	for _, says := range []error{nil, errors.New("no")} {
		channel.asked = nil
		person := askingAfter{agreed{says}, asks}
		assert.Equal(t, says, person.Confirm(t.Context(), nil))
		look()
		look()
		assert.Equal(t, says, person.Forget(t.Context(), nil))
		look()
		assert.Equal(t, []string{"a", "a"}, channel.asked)
	}

	channel.asked = nil
	list[1].Live = &facts.Definition{XML: "<domain id='4'/>", Disks: list[1].Live.Disks} // started anew
	look()
	look()
	assert.Equal(t, []string{"a"}, channel.asked)
	runs := list[1]
	list[1].Running, list[1].Live = false, nil
	assert.Len(t, look(), 1)
	list[1] = runs
	look()
	assert.Equal(t, []string{"a", "a"}, channel.asked)

	asks.channel = nil
	assert.Empty(t, look(), "libvirt does not answer")
}
