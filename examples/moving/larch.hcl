# The host larch gets a second drive for the guest that grades the films. Its
# installed system, in an image until now, moves onto that drive; what the
# system leaves of it becomes a place of the host's own.
#
# The image stays as it is: until the guest has started well from the drive it is
# the way back.

host "larch" {
}

controller "cutting" {
  nvme {
    serial = "RL-4410-0088"
  }

  drive {
    copy_of = image("/srv/images/grading.qcow2", "qcow2")
    # erase = "RL-4410-0088"   # needed only when the drive is not blank

    partition "offcuts" {
      size   = rest()
      format = "ext4"
    }
  }

  return {
    mount "offcuts" {
      at = "/srv/offcuts"
    }
  }
}

guest "grading" {
  system  = "windows" # which steps by hand the order asks for, where nothing could be seen
  borrows = [controller.cutting]
  boots   = controller.cutting

  stop { within = "120s" }
}

shift "day" { guests = [guest.grading] }
shift "night" { guests = [] }
