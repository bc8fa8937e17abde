host "larch" {
  alarm = "/usr/local/bin/tell-me" # want "alarm must be a list of texts"
}
