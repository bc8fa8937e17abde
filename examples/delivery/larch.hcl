# A network card that one guest has, which sends finished films to the customers. The
# host keeps its address, its default route and the bridge of the other guests on
# another card.
#
# Never state the card that you reach the host over: the session in which the order is
# given would end in the middle of it. check refuses that, as it does an interface that
# is up, has an address or is in a bridge. Set it down first, and take it out of the
# host's network configuration for good: it comes back down, and lendkeep restores
# nothing of what it was. For a card that several guests share see examples/ports.

host "larch" {}

controller "uplink" {
  pci {
    # As lspci -n prints them; ls -l /sys/class/net says which interface is which card.
    # Where the host has two of a kind add slot = "…", a name below /sys/bus/pci/slots,
    # or device_serial = "…": many cards have one.
    vendor = "8086"
    device = "1533"
  }
}

guest "delivery" {
  borrows = [controller.uplink]
}

shift "day" {
  guests = [guest.delivery]
}

shift "night" {
  guests = []
}
