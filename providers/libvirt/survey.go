//go:build libvirt_dlopen

package libvirt

import (
	"context"
	"errors"
	"fmt"

	"libvirt.org/go/libvirt"

	"lendkeep/providers/libvirt/dump"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
)

// Survey asks libvirt for everything it knows: six calls for the whole host,
// at most five more for each guest, two for each pool and one for each network,
// never one for each device. What it does not answer is a gap.
func (c *Conn) Survey(ctx context.Context) facts.Virtualization {
	v, _ := c.Answers(ctx)
	return v
}

// Answers is Survey together with what libvirt said, as files that dump.FromFiles
// reads.
func (c *Conn) Answers(ctx context.Context) (facts.Virtualization, map[string]string) {
	seen, err := call(ctx, c, "survey libvirt", func() (dump.Seen, error) {
		s := surveyor{libvirt: c.libvirt}
		s.seen.URI = c.uri
		s.host()
		s.pools()
		s.networks()
		s.guests(ctx)
		return s.seen, nil
	})
	if err != nil {
		seen.URI = c.uri
		seen.Miss("guests and pools", c.uri, err)
	}
	files := seen.Files()
	return seen.Facts(), files
}

// surveyor is one survey under way.
type surveyor struct {
	libvirt *libvirt.Connect
	seen    dump.Seen
}

func (s *surveyor) miss(fact string, err error) { s.seen.Miss(fact, s.seen.URI, inItsWords(err)) }

// inItsWords gives what libvirt says of an error, without its numbers.
func inItsWords(err error) error {
	var of libvirt.Error
	if errors.As(err, &of) {
		return errors.New(of.Message)
	}
	return err
}

func (s *surveyor) host() {
	if text, err := s.libvirt.GetCapabilities(); err != nil {
		s.miss("capabilities", err)
	} else if err := s.seen.Host(text); err != nil {
		s.miss("capabilities", err)
	}
	if text, err := s.libvirt.GetDomainCapabilities(s.seen.Emulator, definition.NewArch, definition.NewMachine, s.seen.GuestType, 0); err != nil {
		s.seen.Unoffered(inItsWords(err))
	} else if err := s.seen.Offered(text); err != nil {
		s.seen.Unoffered(err)
	}
	number, err := s.libvirt.GetLibVersion()
	if err != nil {
		s.miss("version", err)
		return
	}
	// virConnectGetLibVersion: major * 1,000,000 + minor * 1,000 + release.
	s.seen.Version = fmt.Sprintf("%d.%d.%d", number/1000000, number/1000%1000, number%1000)
}

func (s *surveyor) pools() {
	pools, err := s.libvirt.ListAllStoragePools(0)
	if errors.Is(err, libvirt.ERR_NO_SUPPORT) {
		return // without a storage driver there are none
	}
	if err != nil {
		s.miss("pools", err)
		return
	}
	for _, p := range pools {
		defer p.Free()
		text, err := p.GetXMLDesc(0)
		if errors.Is(err, libvirt.ERR_NO_STORAGE_POOL) {
			continue // gone since it was listed
		}
		active, err2 := p.IsActive()
		if err := errors.Join(err, err2); err != nil {
			s.miss("a pool", err)
			continue
		}
		if err := s.seen.Pool(text, active); err != nil {
			s.miss("a pool", err)
		}
	}
}

func (s *surveyor) networks() {
	networks, err := s.libvirt.ListAllNetworks(0)
	if errors.Is(err, libvirt.ERR_NO_SUPPORT) {
		return // without a network driver there are none
	}
	if err != nil {
		s.miss("networks", err)
		return
	}
	for _, n := range networks {
		defer n.Free()
		text, err := n.GetXMLDesc(libvirt.NETWORK_XML_INACTIVE) // the live one lists virtual functions for a parent
		if errors.Is(err, libvirt.ERR_NO_NETWORK) {
			continue // gone since it was listed
		}
		if err == nil {
			err = s.seen.Network(text)
		}
		if err != nil {
			s.miss("a network", err)
		}
	}
}

func (s *surveyor) guests(ctx context.Context) {
	guests, err := s.libvirt.ListAllDomains(0)
	if err != nil {
		s.miss("guests", err)
		return
	}
	for _, g := range guests {
		defer g.Free()
		if err := ctx.Err(); err != nil {
			s.miss("guests", err) // nobody waits for the rest
			return
		}
		name, err := g.GetName()
		if err != nil {
			s.miss("a guest's name", err)
			continue
		}
		answers, err := about(&g)
		answers.Name, answers.At = name, s.seen.URI
		switch {
		case errors.Is(err, libvirt.ERR_NO_DOMAIN): // gone since it was listed
			continue
		case err != nil:
			// It is listed with what is known, and holds up what depends on the rest.
			s.miss("guest "+name, err)
		}
		s.seen.Guest(answers)
	}
}

// about asks for everything of one guest. Passwords are not asked for.
func about(g *libvirt.Domain) (a dump.Answers, err error) {
	if a.UUID, err = g.GetUUIDString(); err != nil {
		return a, err
	}
	state, _, err := g.GetState()
	if err != nil {
		return a, err
	}
	a.Condition, a.Running = condition(state), !off(state)
	kept, err := g.IsPersistent()
	if err != nil {
		return a, err
	}
	if kept {
		if a.Kept, err = g.GetXMLDesc(libvirt.DOMAIN_XML_INACTIVE); err != nil {
			return a, err
		}
		if a.Autostart, err = g.GetAutostart(); err != nil {
			return a, err
		}
	}
	if a.Running {
		a.Live, err = g.GetXMLDesc(0)
	}
	return a, err
}

// off tells whether a guest in that state holds nothing of the host any more.
// One that crashed and was kept still does.
func off(state libvirt.DomainState) bool { return state == libvirt.DOMAIN_SHUTOFF }

// condition gives libvirt's word for a state, as its own tools print it.
func condition(state libvirt.DomainState) string {
	word, known := map[libvirt.DomainState]string{
		libvirt.DOMAIN_NOSTATE:     "no state",
		libvirt.DOMAIN_RUNNING:     "running",
		libvirt.DOMAIN_BLOCKED:     "idle",
		libvirt.DOMAIN_PAUSED:      "paused",
		libvirt.DOMAIN_SHUTDOWN:    "in shutdown",
		libvirt.DOMAIN_SHUTOFF:     "shut off",
		libvirt.DOMAIN_CRASHED:     "crashed",
		libvirt.DOMAIN_PMSUSPENDED: "pmsuspended",
	}[state]
	if !known {
		return fmt.Sprintf("in state %d", state)
	}
	return word
}
