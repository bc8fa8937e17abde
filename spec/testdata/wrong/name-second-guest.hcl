host "larch" {}
guest "a" {}
guest "a" {} # want "second guest named \"a\""
