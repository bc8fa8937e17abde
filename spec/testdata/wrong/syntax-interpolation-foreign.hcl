host "larch" {}
guest "a" {
  disk "system" {
    image = "/srv/${HOME:-/root}/x" # want "what stands between \\$\\{ and \\} cannot be read\n.*\n.*\\$\\$\\{ for these very characters"
  }
}
