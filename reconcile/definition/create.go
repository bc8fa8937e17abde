package definition

import (
	"cmp"
	"fmt"
)

// skeleton is a guest with nothing of its own yet, in the form that libvirt
// prints: a serial console, and a screen that only the host itself can reach,
// so that a person can install a system. What is left out libvirt adds.
const skeleton = `<domain type=%s>
  <name>%s</name>
  <memory unit='KiB'>%d</memory>
  <currentMemory unit='KiB'>%d</currentMemory>
  <vcpu placement='static'>%d</vcpu>
  <os>
    <type arch=%s machine=%s>hvm</type>
  </os>
  <features>
    <acpi/>
    <apic/>%s
  </features>
  <cpu mode='%s'%s
  %s
  <on_poweroff>destroy</on_poweroff>
  <on_reboot>restart</on_reboot>
  <on_crash>destroy</on_crash>
  <devices>%s
    <serial type='pty'>
      <target port='0'/>
    </serial>
    <console type='pty'>
      <target type='serial' port='0'/>
    </console>
    <input type='tablet' bus='usb'/>
    <graphics type='vnc' port='-1' autoport='yes' listen='127.0.0.1'>
      <listen type='address' address='127.0.0.1'/>
    </graphics>
    <video>
      <model type='virtio' heads='1' primary='yes'/>
    </video>%s%s
  </devices>
</domain>
`

// What kind of machine a new guest is, in libvirt's words.
const (
	NewArch    = "x86_64"
	NewMachine = "q35"
)

// Create writes the definition of a guest that libvirt does not know yet, and
// says what is in it besides what the layout states. Memory must be stated; a
// processor count that is not is libvirt's 1.
func Create(w Wanted) (xml string, says []string, err error) {
	if err := w.check(); err != nil {
		return "", nil, fmt.Errorf("create definition: %w", err)
	}
	if w.MemoryBytes == 0 {
		return "", nil, fmt.Errorf("create definition of %s: its memory is not stated", w.Name)
	}
	kind := cmp.Or(w.Type, "kvm")
	// The host's own processor is what KVM gives at no cost; without KVM,
	// libvirt calls the best that can be imitated "maximum".
	cpu := "host-passthrough' check='none' migratable='on"
	if kind != "kvm" {
		cpu = "maximum' check='none"
	}
	memory := (w.MemoryBytes + 1023) / 1024
	fitted := fit(w)
	inner := "/>"
	if fitted.cpu != "" {
		inner = ">" + fitted.cpu + "\n  </cpu>"
	}
	bare := fmt.Sprintf(skeleton, quoted(kind), libvirtText.Replace(w.Name), memory, memory, max(w.CPUs, 1),
		quoted(NewArch), quoted(NewMachine), fitted.features, cpu, inner, fitted.clock,
		emulator(w), fitted.devices, balloon(w))
	made, _, err := Edit(bare, w)
	return made, append([]string{"new guest"}, fitted.says...), err
}

func emulator(w Wanted) string {
	if w.Emulator == "" {
		return ""
	}
	return "\n    <emulator>" + libvirtText.Replace(w.Emulator) + "</emulator>"
}

// balloon leaves the memory balloon out of a guest that borrows: a lent
// controller may reach all of the guest's memory, so that all of it is pinned
// and a balloon can give nothing back.
func balloon(w Wanted) string {
	if len(w.Borrows) == 0 {
		return ""
	}
	return "\n    <memballoon model='none'/>"
}

func quoted(value string) string { return "'" + libvirtText.Replace(value) + "'" }
