host "larch" {}
values {
  a = "%{ frob }" # want "what stands between %\\{ and \\} cannot be read"
}
