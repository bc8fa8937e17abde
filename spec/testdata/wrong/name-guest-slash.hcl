host "larch" {}
guest "a/b" {} # want "guest cannot be named .*\nLibvirt keeps a file of this name"
