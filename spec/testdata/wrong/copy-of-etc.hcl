host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    copy_of = image("/etc/shadow", "raw") # want "copy_of is not usable\nThe host runs, or goes by, what lies in /etc"
  }
}
