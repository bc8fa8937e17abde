host "larch" {}
controler "reel" { # want "layout holds no block controler\n(.*\n)+did you mean controller\\?"
}
