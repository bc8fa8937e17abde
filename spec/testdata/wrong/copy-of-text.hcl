host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive { copy_of = "/srv/images/grading.qcow2" } # want "copy_of must be an answer of image\\(\\)\nIt is text.\nwrite copy_of = image\\(\"…\"\\)"
}
