# A graphics card that two guests have by turns: one by day, one in the evening. Its
# picture and its sound are functions of one slot, so they are stated, lent and
# taken back together. Before anything of value depends on it, lend and return the
# card several times: not every card works again after its guest has ended.

host "larch" {}

controller "screen" {
  pci {
    # As lspci -n prints them, by function: the graphics, the sound.
    functions = ["10de:2484", "10de:228b"]
  }
}

guest "grading" {
  borrows = [controller.screen]
}

guest "retouch" {
  borrows = [controller.screen]
}

shift "day" {
  guests = [guest.grading]
}

shift "evening" {
  guests = [guest.retouch]
}
