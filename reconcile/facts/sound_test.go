package facts_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// A section that is not there would read as nothing there: nothing mounted,
// nobody running.
func TestSurveyWithoutASectionIsRefused(t *testing.T) {
	good := encoded(t, invented.NewBuilder().Survey)
	for _, f := range reflect.VisibleFields(reflect.TypeFor[facts.Survey]()) {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if strings.Contains(options, "omit") {
			continue
		}
		for _, null := range []bool{false, true} {
			var raw map[string]json.RawMessage
			require.NoError(t, json.Unmarshal(good, &raw))
			require.Contains(t, raw, name)
			if delete(raw, name); null {
				raw[name] = json.RawMessage("null")
			}
			bad, err := json.Marshal(raw)
			require.NoError(t, err)
			_, err = facts.Decode(bad)
			if name == "format" {
				require.ErrorContains(t, err, "version 0")
				continue
			}
			require.ErrorContains(t, err, "read survey: line 1: "+name+" is ")
			require.ErrorContains(t, err, "take the survey again")
		}
	}
}

func TestSurveyWithAKeyTwiceIsRefused(t *testing.T) {
	good := string(encoded(t, invented.NewBuilder().Survey))
	for _, c := range [][2]string{
		{`"mounts": [`, `"mounts": [], "mounts": [`},
		{`"path": "/",`, `"path": "/srv", "path": "/",`},
		{`"zfs": false`, `"zfs": true, "zfs": false`},
		{`"guest_type"`, `"Emulator": "/bin/x", "guest_type"`},
	} {
		bad := strings.Replace(good, c[0], c[1], 1)
		require.NotEqual(t, good, bad)
		_, err := facts.Decode([]byte(bad))
		assert.Error(t, err, c[1])
	}
}

func TestSurveyThatContradictsItselfIsRefused(t *testing.T) {
	at := facts.Address{Bus: 1}
	elsewhere := facts.Address{Bus: 9}
	for name, c := range map[string]struct {
		change func(*facts.Survey)
		says   string
	}{
		"as it is":                          {func(*facts.Survey) {}, ""},
		"function":                          {func(s *facts.Survey) { s.Functions = append(s.Functions, s.Functions[0]) }, `function "0000:01:00.0" is listed twice`},
		"block":                             {func(s *facts.Survey) { s.Blocks = append(s.Blocks, s.Blocks[0]) }, `block device "vda" is listed twice`},
		"device number":                     {func(s *facts.Survey) { s.Blocks[1].Devno = s.Blocks[0].Devno }, `device number "254:0" is listed twice`},
		"device numbers that are not known": {func(s *facts.Survey) { s.Blocks[1].Devno, s.Blocks[2].Devno = facts.Devno{}, facts.Devno{} }, ""},
		"guest":                             {func(s *facts.Survey) { s.Libvirt.Guests = append(s.Libvirt.Guests, s.Libvirt.Guests[0]) }, `guest "grading" is listed twice`},
		"node":                              {func(s *facts.Survey) { s.Topology.Nodes = []facts.Node{{Number: 1}, {Number: 1}} }, `node "1" is listed twice`},
		"a CPU of two nodes":                {func(s *facts.Survey) { s.Topology.Nodes = []facts.Node{{CPUs: "0-3"}, {Number: 1, CPUs: "3"}} }, "CPU 3 is of two nodes"},
		"a CPU of two cores":                {func(s *facts.Survey) { s.Topology.Cores = []facts.Core{{CPUs: "0,8"}, {CPUs: "8"}} }, "CPU 8 is of two cores"},
		"no CPUs":                           {func(s *facts.Survey) { s.Topology.Cores = []facts.Core{{CPUs: "all"}} }, "not a set of CPUs"},
		"isolated, but no CPUs":             {func(s *facts.Survey) { s.Topology.Isolated = "most" }, "not a set of CPUs"},
		"huge pages of no size":             {func(s *facts.Survey) { s.Topology.Nodes = []facts.Node{{HugePages: []facts.Pages{{}}}} }, "of no size"},
		"path":                              {func(s *facts.Survey) { s.Paths = append(s.Paths, s.Paths[0]) }, "is listed twice"},
		"drive on an absent controller": {func(s *facts.Survey) { s.Functions[0].Address = elsewhere },
			"drive nvme0n1 is on controller 0000:01:00.0, which the survey does not have"},
		"drive of a namespace is gone": {func(s *facts.Survey) { s.Blocks = s.Blocks[:1] }, "namespace 1 of 0000:01:00.0 is nvme0n1, which is no drive of its"},
		"drive of a namespace is of none": {func(s *facts.Survey) {
			for i := range s.Blocks {
				s.Blocks[i].Controller = nil
			}
		}, "which is no drive of its"},
		"partition of an absent drive": {func(s *facts.Survey) { s.Blocks[2].Whole = "nvme9n1" }, "nvme0n1p1 is a partition of nvme9n1, which is no drive"},
		"partition of a partition":     {func(s *facts.Survey) { s.Blocks[1].Whole = "nvme0n1p1" }, "which is no drive"},
		"partition on another controller": {func(s *facts.Survey) {
			s.Functions = append(s.Functions, facts.Function{Address: elsewhere})
			s.Blocks[2].Controller = &elsewhere
		}, "not on one controller"},
		"holder that is not there": {func(s *facts.Survey) { s.Blocks[2].Holders = []string{"dm-7"} }, "nvme0n1p1 is held by dm-7, which the survey does not have"},
		"holder of itself":         {func(s *facts.Survey) { s.Blocks[2].Holders = []string{"nvme0n1p1"} }, "is built on itself"},
		"holders in a circle": {func(s *facts.Survey) {
			s.Blocks[2].Holders, s.Blocks[0].Holders = []string{"vda"}, []string{"nvme0n1p1"}
		}, "is built on itself"},
		"function below itself":            {func(s *facts.Survey) { s.Functions[0].Upstream = &at }, "is below itself"},
		"function below one that is not":   {func(s *facts.Survey) { s.Functions[0].Upstream = &elsewhere }, "0000:01:00.0 is below 0000:09:00.0, which the survey does not have"},
		"mount nowhere":                    {func(s *facts.Survey) { s.Mounts[0].Path = "" }, "at no absolute path"},
		"swap nowhere":                     {func(s *facts.Survey) { s.Swaps = []facts.Swap{{}} }, "swap area has no path"},
		"running without a definition":     {func(s *facts.Survey) { s.Libvirt.Guests[0].Running = true }, "guest grading is running, and its running definition is missing"},
		"running without, and it says so":  {func(s *facts.Survey) { s.Libvirt.Guests[0].Running = true; s.Libvirt.Gaps = []facts.Gap{{}} }, ""},
		"off with a running definition":    {func(s *facts.Survey) { s.Libvirt.Guests[0].Live = s.Libvirt.Guests[0].Kept }, "guest grading is off, and has a running definition"},
		"guest without any definition":     {func(s *facts.Survey) { s.Libvirt.Guests[0].Kept = nil }, "guest grading has no definition"},
		"guest without a name":             {func(s *facts.Survey) { s.Libvirt.Guests[0].Name = "" }, "a guest has no name"},
		"long tower of devices, each once": {tower(900), ""},
		"longer tower":                     {tower(1100), "built on one another"},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			b.NVMe("RL-4410-0073", "shelf")
			b.Guest("grading", "/srv/images/grading.qcow2")
			s := b.Survey
			c.change(&s)
			_, err := facts.Decode(encoded(t, s))
			if c.says == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, c.says)
			require.ErrorContains(t, err, "take the survey again")
		})
	}
}

func tower(high int) func(*facts.Survey) {
	return func(s *facts.Survey) {
		for n := range high {
			b := facts.Block{Name: fmt.Sprintf("dm-%d", n), Devno: facts.Devno{Major: 253, Minor: uint32(n)}}
			if n+1 < high {
				b.Holders = []string{fmt.Sprintf("dm-%d", n+1)}
			}
			s.Blocks = append(s.Blocks, b)
		}
	}
}

func TestSurveyFileIsBounded(t *testing.T) {
	_, err := facts.Decode(bytes.Repeat([]byte(" "), facts.MaxBytes+1))
	require.ErrorContains(t, err, "are more than the")
	_, err = facts.Decode(bytes.Repeat([]byte("["), 100000))
	require.ErrorContains(t, err, "stand in one another")
}
