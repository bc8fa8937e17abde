host "larch" {}
guest "a" {
  network "house" {} # want "network needs bridge or network"
}
