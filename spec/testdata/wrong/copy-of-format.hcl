host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive { copy_of = image("/srv/images/grading.img", "qcow") } # want "the format of copy_of cannot be \"qcow\"\nIt can be .*\ndid you mean \"qcow2\"\\?"
}
