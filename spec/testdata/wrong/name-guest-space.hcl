host "larch" {}
guest " a" {} # want "guest cannot be named .*\nLibvirt wants no white space"
