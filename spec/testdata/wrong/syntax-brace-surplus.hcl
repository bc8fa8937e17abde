host "larch" {}
guest "a" {
  memory { size = gib(1) }
}
} # want "\"}\" closes nothing"
