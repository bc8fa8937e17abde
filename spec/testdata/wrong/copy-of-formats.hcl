host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive { copy_of = image("/srv/images/grading.img", "raw", "qcow2") } # want "image\\(\\) cannot compute this\nAn image has one format"
}
