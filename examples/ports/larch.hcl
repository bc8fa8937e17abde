# A network card that two guests have at once: it makes virtual functions (SR-IOV),
# and each guest borrows one. The card itself stays with the host and its driver, and
# is never lent while it has any.
#
# It takes two orders: the first has the card make them, the second lends them, once the
# host shows which functions they are. They are gone when the host starts anew; plan and
# apply again then.

host "larch" {}

controller "card" {
  virtual_functions = 4

  pci {
    vendor = "8086"
    device = "10c9"
  }
}

# Known by the card and the number, from 0: the kernel's link virtfnN.
controller "port0" {
  virtual {
    of     = controller.card
    number = 0
  }
}

controller "port3" {
  virtual {
    of     = controller.card
    number = 3
  }
}

guest "scans" {
  borrows = [controller.port0]
}

guest "films" {
  borrows = [controller.port3]
}

shift "day" {
  guests = [guest.scans, guest.films]
}

shift "night" {
  guests = []
}
