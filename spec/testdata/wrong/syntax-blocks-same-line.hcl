host "larch" {} guest "a" {} # want "a second statement stands on this line"
