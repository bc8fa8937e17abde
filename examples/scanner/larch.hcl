# A USB controller that one guest has: the film scanner is plugged into it, and what
# the scanner needs, as its licence key. Whatever else is plugged in goes along, so
# first see which sockets are its own: plug a stick in, then lsusb -t.
#
# The keyboard that you type on, the cable of a UPS, a mounted stick, a scanner that a
# program of the host's has open: check names each that the host uses, and no order lends
# the controller until that is plugged in elsewhere, or at an end.

host "larch" {}

controller "scanner" {
  pci {
    # As lspci -n prints them. Where the host has two of a kind add slot = "…", a name
    # below /sys/bus/pci/slots.
    vendor = "1912"
    device = "0014"
  }
}

guest "intake" {
  borrows = [controller.scanner]
}

shift "day" {
  guests = [guest.intake]
}

shift "night" {
  guests = []
}
