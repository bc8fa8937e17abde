host "larch" {}
guest "catalogue" {
  memory = gib(1) # want "guest has no attribute memory\n(.*\n)+memory is a block: write memory { … } without ="
  disk   = "/a"   # want "guest has no attribute disk\n(.*\n)+disk is a block: write disk \"NAME\" { … } without ="
}
