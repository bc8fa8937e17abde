package facts_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

func encoded(t require.TestingT, s facts.Survey) []byte {
	var b bytes.Buffer
	require.NoError(t, s.Encode(&b))
	return b.Bytes()
}

func TestSurveyFileRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		survey, _ := invented.Any(t)
		content := encoded(t, survey)
		got, err := facts.Decode(content)
		require.NoError(t, err)
		require.Equal(t, string(content), string(encoded(t, got)))
		require.Empty(t, facts.Differences(survey, got))
	})
}

func TestSurveyFileIsReadStrictly(t *testing.T) {
	good := string(encoded(t, invented.NewBuilder().Survey))
	for name, c := range map[string]struct{ old, new, says string }{
		"another version": {`"format": 1`, `"format": 2`, "version 2, this lendkeep reads version 1"},
		"unknown field":   {`"machine":`, `"weather": "fine", "machine":`, "weather"},
		"a bad address":   {`"devno": "254:0",`, `"controller": "01:00.0", "devno": "254:0",`, "0000:01:00.0"},
	} {
		t.Run(name, func(t *testing.T) {
			bad := strings.Replace(good, c.old, c.new, 1)
			require.NotEqual(t, good, bad)
			_, err := facts.Decode([]byte(bad))
			require.ErrorContains(t, err, c.says)
		})
	}
	_, err := facts.Decode([]byte(good + "{}"))
	require.ErrorContains(t, err, "something follows its end")
	_, err = facts.Decode([]byte(good[:len(good)/2]))
	require.Error(t, err)
}

func TestDifferencesNamesWhatChanged(t *testing.T) {
	b := invented.NewBuilder()
	b.NVMe("RL-4410-0073", "shelf")
	before := b.Survey
	after, err := facts.Decode(encoded(t, before))
	require.NoError(t, err)
	after.Functions[0].Driver = "vfio-pci"
	after.Mounts = nil
	assert.Equal(t, "[function 0000:01:00.0 has changed mount / of 254:0 is gone]", fmt.Sprint(facts.Differences(before, after)))
	assert.Equal(t, "[function 0000:01:00.0 has changed mount / of 254:0 is new]", fmt.Sprint(facts.Differences(after, before)))
}

func FuzzDecode(f *testing.F) {
	f.Add(encoded(f, invented.NewBuilder().Survey))
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "shelf")
	b.Mapper("vg0-root", "nvme0n1p1")
	b.Card(at, "e1000e")
	b.Guest("grading", "/srv/images/grading.qcow2", b.Identity("reel", at))
	f.Add(encoded(f, b.Survey))
	f.Fuzz(func(t *testing.T, content []byte) {
		survey, err := facts.Decode(content)
		if err != nil {
			return
		}
		// Whatever decodes can be asked every question.
		ix := facts.NewIndex(&survey)
		for _, fn := range survey.Functions {
			ix.Uses(fn.Address)
			ix.Upstream(fn.Address)
			ix.Siblings(fn.Address)
			if fn.Group != nil {
				ix.Blockers(*fn.Group, nil)
			}
		}
		again, err := facts.Decode(encoded(t, survey))
		require.NoError(t, err, "what was read can be written and read again")
		require.Empty(t, facts.Differences(survey, again))
	})
}
