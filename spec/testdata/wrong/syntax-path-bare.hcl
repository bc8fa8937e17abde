host "larch" {}
guest "a" {
  disk "system" {
    image = /srv/images/a.qcow2 # want "this text has no quotes\n\nwrite \"/srv/images/a.qcow2\""
  }
}
