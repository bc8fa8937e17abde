# The nearest name that is not taken already.
host "larch" {}
guest "catalogue" {
  network "house" {
    network = "default"
    mac     = "52:54:00:00:00:01"
    max     = "52:54:00:00:00:02" # want "network has no attribute max\nA network has the attributes bridge, network, model, mac.\n$"
  }
}
