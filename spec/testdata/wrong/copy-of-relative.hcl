host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive { copy_of = image("grading.qcow2") } # want "copy_of is not usable\n\"grading.qcow2\" is relative"
}
