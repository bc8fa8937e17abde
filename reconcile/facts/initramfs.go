package facts

import "strings"

// initramfsTool is a program that makes an initramfs, and how a person has it
// take the nvme driver in.
type initramfsTool struct {
	name    string
	systems []string // words of what such a system calls itself, in lower case
	does    string
}

// initramfsTools: initramfs-tools(7) and update-initramfs(8), dracut.conf(5) and
// dracut(8), mkinitcpio.conf(5) and mkinitcpio(8), mkinitfs(1). Which system has
// which by default is common practice.
var initramfsTools = []initramfsTool{
	{"initramfs-tools", []string{"debian", "ubuntu", "mint", "devuan", "raspbian"},
		"echo nvme >> /etc/initramfs-tools/modules && update-initramfs -u -k all"},
	{"dracut", []string{"fedora", "red hat", "centos", "rocky", "alma", "suse", "void"},
		`echo 'add_drivers+=" nvme "' > /etc/dracut.conf.d/nvme.conf && dracut -f --regenerate-all`},
	{"mkinitcpio", []string{"arch", "manjaro"},
		"echo 'MODULES+=(nvme)' > /etc/mkinitcpio.conf.d/nvme.conf && mkinitcpio -P"},
	{"mkinitfs", []string{"alpine"},
		"echo kernel/drivers/nvme > /etc/mkinitfs/features.d/nvme.modules, add nvme to features in /etc/mkinitfs/mkinitfs.conf, then mkinitfs"},
}

// InitramfsCommands says how a Linux system takes the nvme driver into its
// initramfs, by what it calls itself. Of one that is not known every way is
// given, with the tool that it is for.
func InitramfsCommands(system string) []string {
	var every []string
	for _, tool := range initramfsTools {
		for _, word := range tool.systems {
			if strings.Contains(strings.ToLower(system), word) {
				return []string{"take nvme into the initramfs, as root: " + tool.does}
			}
		}
		every = append(every, "take nvme into the initramfs, with "+tool.name+" as root: "+tool.does)
	}
	return every
}
