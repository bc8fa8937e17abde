host "larch" {}
values {
  a = << END # want "\"<<\" does not begin a text of several lines here"
}
