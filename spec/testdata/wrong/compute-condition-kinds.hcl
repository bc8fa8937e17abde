host "larch" {}
controller "reel" {
  nvme { serial = "RL-1" }
}
values {
  a = survey.cpus > 1 ? controller.reel : 1 # want "both answers of a condition must be of one kind\nOne is a controller, the other the number 1"
}
