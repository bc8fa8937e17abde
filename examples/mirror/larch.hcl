# A layout that is refused, and what to make of it. The host has two storage
# controllers. Behind "board" are two disks that it has as a mirror, with the films on
# it; into the bays of "bays" go disks that customers send in, which a guest shall read.
# Here the guest was given the wrong one.
#
# A controller is lent with every disk behind it, so nothing that the host has on any of
# them may be in use. lendkeep check says how each disk comes to its user:
#
#   0000:c0:00.0 > sda > sda1 > md127 > mount /srv/films
#   0000:c0:00.0 > sdb > sdb1 > holder md127
#
# It is no use to unmount alone: the mirror still has both disks, and holds what it has
# not written yet.

host "larch" {}

# As lspci -n prints them. Where the host has two of a kind add slot = "…", a name below
# /sys/bus/pci/slots.
controller "board" {
  pci {
    vendor = "8086"
    device = "2922"
  }
}

controller "bays" {
  pci {
    vendor = "1b21"
    device = "0612"
  }
}

# What is accepted: borrows = [controller.bays], while the host uses no disk in them. Or,
# where the films have moved elsewhere, "board" once its mirror is at an end: umount
# /srv/films, mdadm --stop /dev/md127, and neither left in /etc/fstab nor in
# /etc/mdadm/mdadm.conf.
guest "intake" {
  borrows = [controller.board]
}

shift "day" {
  guests = [guest.intake]
}

shift "night" {
  guests = []
}
