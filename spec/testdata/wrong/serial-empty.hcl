host "larch" {}
controller "reel" {
  nvme { serial = "" } # want "serial is empty"
}
