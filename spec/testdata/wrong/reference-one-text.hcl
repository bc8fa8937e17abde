host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
controller "spool" {
  nvme { serial = "RL-4410-0088" }
}
guest "a" {
  borrows = [controller.spool]
  boots   = "spol" # want "boots takes a controller\nThis is text.\nwrite a reference, as controller.spool"
}
