//go:build libvirt_dlopen

package libvirt

import (
	"context"
	"fmt"
	"os"
	"time"

	"libvirt.org/go/libvirt"

	"lendkeep/reconcile/definition"
)

// node describes an empty host to libvirt's test driver (libvirt
// src/test/test_driver.c, testOpenFromFile). It refuses nothing for want of
// memory or processors, so the numbers do not matter.
const node = `<node>
  <cpu><mhz>2000</mhz><model>none</model><active>64</active><nodes>1</nodes><sockets>1</sockets><cores>64</cores><threads>1</threads></cpu>
  <memory>1073741824</memory>
</node>
`

// Judge is libvirt's own test driver: a libvirt in the process, with no
// hypervisor and no host behind it. Definitions and starts go through
// libvirt's own parser, schema and lifecycle, and it holds its guests for as
// long as the process lives.
//
// It does not check what only a hypervisor or a host knows: whether an image,
// a bridge or a PCI function is there, whether QEMU has a device.
type Judge struct {
	conn *Conn
}

// OpenJudge starts a judge with no guests.
func OpenJudge() (*Judge, error) {
	file, err := os.CreateTemp("", "lendkeep-node-*.xml")
	if err != nil {
		return nil, fmt.Errorf("describe a host to libvirt: %w", err)
	}
	defer os.Remove(file.Name()) // it is read while connecting
	defer file.Close()
	if _, err := file.WriteString(node); err != nil {
		return nil, fmt.Errorf("describe a host to libvirt: %w", err)
	}
	conn, err := Open("test://" + file.Name())
	if err != nil {
		return nil, err
	}
	return &Judge{conn}, nil
}

// Close forgets the judge's guests.
func (j *Judge) Close() { j.conn.Close() }

// Define has libvirt judge a definition of any type, and gives it back as
// libvirt keeps it: normalised, with a UUID and MAC addresses.
func (j *Judge) Define(ctx context.Context, xml string) (string, error) {
	name, uuid, err := definition.Names(xml)
	if err != nil {
		return "", fmt.Errorf("define guest: %w", err)
	}
	test, back, err := definition.Disguise(xml)
	if err != nil {
		return "", fmt.Errorf("define guest %s: %w", name, err)
	}
	if err := j.conn.Define(ctx, test); err != nil {
		// A new guest has no UUID, and gets another one each time: the one that was judged
		// before stands against it.
		if uuid != "" || j.conn.Undefine(ctx, name) != nil {
			return "", err
		}
		if err := j.conn.Define(ctx, test); err != nil {
			return "", err
		}
	}
	kept, err := ask(ctx, j.conn, "read back guest", name, func(g *libvirt.Domain) (string, error) {
		return g.GetXMLDesc(libvirt.DOMAIN_XML_INACTIVE)
	})
	if err != nil {
		return "", err
	}
	return back(kept)
}

// Undefine forgets a guest.
func (j *Judge) Undefine(ctx context.Context, name string) error { return j.conn.Undefine(ctx, name) }

// Start starts a guest.
func (j *Judge) Start(ctx context.Context, name string) error { return j.conn.Start(ctx, name) }

// Stop shuts a guest down; those of the test driver obey at once.
func (j *Judge) Stop(ctx context.Context, name string) error {
	return j.conn.Stop(ctx, name, time.Minute)
}
