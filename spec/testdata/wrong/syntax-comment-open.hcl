host "larch" {}
# want-next "this comment is never closed\n.*\nwrite \\*/ where the comment ends"
/* the guests
guest "a" {
  system = "linux"
}
