host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "a" { size = gib(1) }
    partition "b" { size = gib(1) }
    partition "c" { size = gib(1) }
  }
  return {
    mount "a" { at = "/usr" }       # want "at is not usable\nThe host needs /usr while the drive is lent"
    mount "b" { at = "/sys/class" } # want "at is not usable\n/sys belongs to the kernel"
    mount "c" { at = "/" }          # want "at is not usable\nThe path names the root directory"
  }
}
