guest "ingest" {
  system   = "linux"
  firmware = "uefi"
  borrows  = [controller.tape, controller.feed] # one group, one borrower

  cpu {
    count = 2
    near  = controller.tape # on the processors that the drive is wired to
  }
  memory {
    size = value.ingest_memory
  }
  disk "system" {
    image  = format("%s/%s.qcow2", value.images, "ingest")
    format = "qcow2"
    bus    = "virtio"
    size   = gib(20)
  }
  stop { within = "90s" }
}

guest "reading-room" {
  memory {
    size = mib(768)
  }
  disk "system" {
    image  = "${value.images}/reading-room.qcow2" # the other way to put texts together
    format = "qcow2"
    bus    = "virtio"
    size   = gib(20)
  }
  network "house" {
    bridge = value.bridge
    mac    = "52:54:00:4c:69:62"
  }
}

# A guest of former times. Its definition is removed from libvirt, its images
# stay where they are. Deleting the block instead would leave the guest alone.
guest "card-index" {
  retired = true
}

shift "opening-hours" { guests = [guest.ingest, guest.reading-room] }
