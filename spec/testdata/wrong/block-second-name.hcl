host "larch" {}
guest "catalogue" {
  network "house" { network = "default" }
  network "house" { network = "other" } # want "second network \"house\" in one guest"
}
