host "larch" {}
guest "a" {
  disk "system" {
    block  = partition("4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11")
    bus    = "virtio"
    format = "raw" # want "a partition has no image format"
  }
}
