host "larch" {}
controller "reel" {} # want "controller needs an identity"
