host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  disk "system" {
    image     = "/etc/cron.d/a" # want "image is not usable\nThe host runs, or goes by, what lies in /etc"
    format    = "raw"
    bus       = "virtio"
    copy_from = controller.reel
  }
}
