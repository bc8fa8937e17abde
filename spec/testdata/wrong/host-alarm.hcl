host "larch" {
  alarm = ["tell-me", 7, "line\nend"] # want "alarm: \"tell-me\" is not usable\n.*is relative" "alarm must be a list of texts\n" "alarm: .* is not usable\nIt holds characters"
}
