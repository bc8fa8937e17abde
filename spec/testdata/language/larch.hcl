host "larch" {
  libvirt    = "qemu:///system"
  alarm      = ["/usr/local/bin/tell-me", "now"] # told of alarms
  never_lend = ["SYS-0001"]               # serials, besides the host's own drives, which are always protected
}

controller "reel" {
  nvme {
    serial = "RL-4410-0073"               # any other kind: pci { vendor = "1b36", device = ..., slot = ... } on lines of their own
  }

  drive {
    copy_of = image("/srv/images/grading.qcow2", "qcow2")   # the installed system moves here
    erase   = "RL-4410-0073"              # needed only when the drive is not blank: its serial, spelled out

    partition "shelf" {                   # the host's part
      size   = rest()
      format = "xfs"
    }
  }

  return {
    within     = "30s"
    on_failure = "hold"                   # hold: guests that need it do not start; alarm: only report

    mount "shelf" {
      at      = "/srv/shelf"
      options = ["noatime"]
    }
  }
}

shim "reel-start" {                       # used only with firmware that cannot read NVMe
  donor = "/usr/share/OVMF/OVMF_CODE_4M.fd"   # where the driver (and the shell) are taken from
  as    = "rom"                           # rom: option ROM of the lent controller; disk: a small boot disk
}

guest "grading" {
  system  = "windows"                     # which cautions and manual steps apply
  borrows = [controller.reel]
  boots   = controller.reel               # boot order alone where the firmware can read NVMe, else through the shim
  shim    = shim.reel-start

  cpu {
    count = 6
    near  = controller.reel               # pinned to the controller's NUMA node
  }
  memory {
    size       = gib(16)
    huge_pages = true
  }
  disk "games" {
    block = partition("4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11")   # by GPT id
    bus   = "scsi"
  }
  stop { within = "120s" }
}

guest "catalogue" {
  disk "system" {
    image = "/srv/shelf/catalogue.qcow2"
    bus   = "virtio"
    size  = gib(40)
  }
}

shift "day" { guests = [guest.grading] }
shift "night" { guests = [guest.catalogue] }
