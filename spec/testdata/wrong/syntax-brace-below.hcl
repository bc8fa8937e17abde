host "larch" {}
guest "a" # want "the \\{ of a block stands on the block's first line\n\nwrite guest \"a\" \\{"
{
  system = "linux"
}
