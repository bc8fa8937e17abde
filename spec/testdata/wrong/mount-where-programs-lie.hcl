host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "a" { size = gib(1) }
    partition "b" { size = gib(1) }
  }
  return {
    mount "a" { at = "/usr/local/bin" } # want "at is not usable\nThe host runs, or goes by, what lies in /usr"
    mount "b" { at = "/var/lib" }       # want "at is not usable\nThe host needs /var/lib while the drive is lent"
  }
}
