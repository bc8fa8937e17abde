//go:build libvirt_dlopen

package libvirt

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"libvirt.org/go/libvirt"

	"lendkeep/reconcile/definition"
)

// askAgain is how often a guest that shuts down is asked whether it is off.
const askAgain = 200 * time.Millisecond

// Define sets the definition that a guest keeps, and makes the guest where
// there is none. libvirt validates it. Passwords of screens, which no survey
// holds, stay as libvirt has them.
//
// A guest whose memory was saved is refused: its next start would restore the
// saved definition with the memory, whatever was defined since.
func (c *Conn) Define(ctx context.Context, xml string) error {
	name, _, err := definition.Names(xml)
	if err != nil {
		return fmt.Errorf("define guest: %w", err)
	}
	_, err = call(ctx, c, "define guest "+name, func() (struct{}, error) {
		xml, err := c.complete(name, xml)
		if err != nil {
			return struct{}{}, err
		}
		g, err := c.libvirt.DomainDefineXMLFlags(xml, libvirt.DOMAIN_DEFINE_VALIDATE)
		if err != nil {
			return struct{}{}, err
		}
		return struct{}{}, g.Free()
	})
	return err
}

// complete adds to a definition what only libvirt knows of the guest.
func (c *Conn) complete(name, xml string) (string, error) {
	g, err := c.libvirt.LookupDomainByName(name)
	if errors.Is(err, libvirt.ERR_NO_DOMAIN) {
		return xml, nil
	}
	if err != nil {
		return "", err
	}
	defer g.Free()
	if err := notSaved(g); err != nil {
		return "", err
	}
	full, err := g.GetXMLDesc(libvirt.DOMAIN_XML_INACTIVE | libvirt.DOMAIN_XML_SECURE)
	if err != nil {
		return "", err
	}
	return definition.KeepSecrets(xml, full)
}

func notSaved(g *libvirt.Domain) error {
	saved, err := g.HasManagedSaveImage(0)
	if err == nil && saved {
		err = errors.New("its memory was saved (managed save): start the guest and shut it down, or drop what was saved: virsh managedsave-remove")
	}
	return err
}

// Undefine makes libvirt forget a guest. Its images, its firmware variables
// and its TPM stay; saved memory or snapshots are a reason to refuse.
func (c *Conn) Undefine(ctx context.Context, name string) error {
	return c.on(ctx, "undefine guest", name, func(g *libvirt.Domain) error {
		if err := notSaved(g); err != nil {
			return err
		}
		err := g.UndefineFlags(libvirt.DOMAIN_UNDEFINE_KEEP_NVRAM | libvirt.DOMAIN_UNDEFINE_KEEP_TPM)
		if !errors.Is(err, libvirt.ERR_INVALID_ARG) {
			return err
		}
		// A libvirt that knows no such flag: before 8.9.0, where a TPM would be
		// lost, and the test driver, which has neither variables nor TPM.
		xml, err := g.GetXMLDesc(libvirt.DOMAIN_XML_INACTIVE)
		if err != nil {
			return err
		}
		if strings.Contains(xml, "<domain type='test'") {
			return g.Undefine()
		}
		if strings.Contains(xml, "<tpm") {
			return errors.New("this libvirt would throw away the state of the guest's TPM (it is older than 8.9.0)")
		}
		return g.UndefineFlags(libvirt.DOMAIN_UNDEFINE_KEEP_NVRAM)
	})
}

// Autostart says whether the guest starts with the host.
func (c *Conn) Autostart(ctx context.Context, name string, on bool) error {
	return c.on(ctx, "set the autostart of guest", name, func(g *libvirt.Domain) error { return g.SetAutostart(on) })
}

// Start starts a guest.
func (c *Conn) Start(ctx context.Context, name string) error {
	return c.on(ctx, "start guest", name, func(g *libvirt.Domain) error { return g.Create() })
}

// pressAgain is how often a guest is asked to shut down. A system that is still
// starting does not hear the first time (seen with guests in SeaBIOS).
const pressAgain = 10 * time.Second

// Stop asks a guest to shut down, again and again, and waits until it is off. It
// never cuts a guest off: one that takes longer is left as it is, and may still
// go down.
func (c *Conn) Stop(ctx context.Context, name string, within time.Duration) error {
	press := func() error {
		return c.on(ctx, "shut down guest", name, func(g *libvirt.Domain) error { return g.Shutdown() })
	}
	if err := press(); err != nil {
		return err
	}
	deadline := time.After(within)
	again, pressing := time.NewTicker(askAgain), time.NewTicker(pressAgain)
	defer again.Stop()
	defer pressing.Stop()
	for late := false; ; {
		state, err := c.state(ctx, name)
		switch {
		case err != nil || off(state):
			return err
		case late:
			return fmt.Errorf("shut down guest %s: it did not shut down within %s and is %s; shut it down from inside, then go on", name, within, condition(state))
		}
		select {
		case <-again.C:
		case <-pressing.C:
			_ = press() // it may have gone down since; its state decides
		case <-deadline:
			late = true
		case <-ctx.Done():
			return fmt.Errorf("shut down guest %s: it was asked to, but whether it has is not known: %w", name, ctx.Err())
		}
	}
}

// state asks for a guest's state. One that nothing was kept of is gone when it
// is off.
func (c *Conn) state(ctx context.Context, name string) (libvirt.DomainState, error) {
	state, err := ask(ctx, c, "ask for the state of guest", name, func(g *libvirt.Domain) (libvirt.DomainState, error) {
		state, _, err := g.GetState()
		return state, err
	})
	if errors.Is(err, libvirt.ERR_NO_DOMAIN) {
		return libvirt.DOMAIN_SHUTOFF, nil
	}
	return state, err
}
