host "larch" {
  alarm = ["/bin/sh", "/srv/shelf/tell-me"] # want "alarm lies on a drive that is lent\n/srv/shelf/tell-me is on /srv/shelf"
}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "shelf" { size = rest() }
  }
  return {
    mount "shelf" { at = "/srv/shelf" }
  }
}
