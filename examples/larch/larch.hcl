# The host of a film-scanning workshop. One NVMe drive, called reel here, holds
# the installed system of the guest that grades the films, and beside it a
# shelf: a partition of the host with the disks of other guests.
#
# By day the whole controller is lent to the guest "grading". By night it is
# back with the host, the shelf is mounted, and "catalogue" runs from it. The
# two can never run at the same time; lendkeep knows that from this file.

host "larch" {
  # The name that hostname prints. Nothing more is needed: libvirt is asked at
  # qemu:///system, and drives that the host runs from are always protected.
}

# A controller is known by what it is, never by its address, which changes when
# a card is added. The serial is on the drive's label.
controller "reel" {
  nvme {
    serial = "RL-4410-0073"
  }

  # What the host has on this drive. There is no copy_of and no erase, so
  # nothing on it is ever written over.
  drive {
    partition "shelf" {
      size   = rest() # all that the guest's system leaves
      format = "xfs"
    }
  }

  # How the host takes the controller back when the guest is off.
  return {
    within     = "30s"
    on_failure = "hold" # guests that need the shelf do not start without it

    mount "shelf" {
      at      = "/srv/shelf"
      options = ["noatime"]
    }
  }
}

guest "grading" {
  system  = "windows"
  borrows = [controller.reel]
  boots   = controller.reel # its system is on the drive it borrows

  cpu {
    count = 2
  }
  memory {
    size = gib(1)
  }

  # Windows may take its time; after this the shutdown counts as failed.
  stop { within = "120s" }
}

guest "catalogue" {
  cpu {
    count = 1
  }
  memory {
    size = mib(512)
  }

  # An image on the shelf. lendkeep sees by the path that it needs the mount,
  # and so the controller at home.
  disk "system" {
    image = "/srv/shelf/catalogue.qcow2"
    bus   = "virtio"
    size  = gib(40) # used only if the image is yet to be made
  }

  network "house" {
    bridge = "br0" # a bridge of the host; network = "…" for one of libvirt's
  }
}

# Guests of one shift run at the same time.
shift "day" { guests = [guest.grading] }
shift "night" { guests = [guest.catalogue] }
