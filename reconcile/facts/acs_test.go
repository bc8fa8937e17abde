package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

// As Linux 6.1 judges it, by the type of a function (drivers/pci/pci.c,
// pci_acs_enabled and pci_acs_flags_enabled).
func TestApart(t *testing.T) {
	on, some := &facts.ACS{Can: 0x5f, On: 0x1d}, &facts.ACS{Can: 0x5f, On: 0x19}
	for name, c := range map[string]struct {
		f    facts.Function
		want facts.Held
	}{
		"a root port with all of it":                          {facts.Function{Express: facts.RootPort, ACS: on}, facts.Present},
		"a root port without":                                 {facts.Function{Express: facts.RootPort}, facts.Absent},
		"one with a part switched off":                        {facts.Function{Express: facts.RootPort, ACS: some}, facts.Absent},
		"one that can switch nothing off":                     {facts.Function{Express: facts.RootPort, ACS: &facts.ACS{}}, facts.Present},
		"a switch's lower port without":                       {facts.Function{Express: facts.DownstreamPort}, facts.Absent},
		"its upper port, alone in its slot":                   {facts.Function{Express: facts.UpstreamPort}, facts.Present},
		"its upper port, one function of several":             {facts.Function{Express: facts.UpstreamPort, MultiFunction: true}, facts.Absent},
		"a card of one function":                              {facts.Function{Express: facts.Endpoint}, facts.Present},
		"a card of several":                                   {facts.Function{Express: facts.Endpoint, MultiFunction: true}, facts.Absent},
		"a card of several, with ACS":                         {facts.Function{Express: facts.Endpoint, MultiFunction: true, ACS: on}, facts.Present},
		"a bridge to old PCI, with ACS":                       {facts.Function{Express: facts.ToPCI, ACS: on}, facts.Absent},
		"a bridge from old PCI":                               {facts.Function{Express: facts.FromPCI, ACS: on}, facts.Absent},
		"an event collector":                                  {facts.Function{Express: facts.EventCollector}, facts.Absent},
		"old PCI":                                             {facts.Function{}, facts.Absent},
		"a type that is reserved":                             {facts.Function{Express: "type 11", ACS: on}, facts.Unknown},
		"what was not read":                                   {facts.Function{Gaps: []facts.Gap{{Fact: "express"}, {Fact: "acs"}}}, facts.Unknown},
		"a port whose ACS was not read":                       {facts.Function{Express: facts.RootPort, Gaps: []facts.Gap{{Fact: "acs"}}}, facts.Unknown},
		"a card of which it is not known whether it is alone": {facts.Function{Express: facts.Endpoint, Gaps: []facts.Gap{{Fact: "header_type"}}}, facts.Unknown},
	} {
		assert.Equal(t, c.want, c.f.Apart(), name)
	}
	assert.Equal(t, []string{"ReqRedir"}, some.Off())
}
