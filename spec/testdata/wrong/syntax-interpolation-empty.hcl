host "larch" {}
guest "a" {
  disk "system" {
    image = "/srv/${}" # want "what stands between \\$\\{ and \\} cannot be read"
  }
}
