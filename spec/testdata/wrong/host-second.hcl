host "larch" {}
host "yew" {} # want "second host in one layout\n.*at host-second.hcl:1"
