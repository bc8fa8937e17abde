host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
shift "day" { guests = [controller.reel] } # want "guests takes a guest\nThis is a controller.\nwrite guest.NAME"
