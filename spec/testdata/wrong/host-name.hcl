host "larch house" {} # want "host cannot be named .*\nA host's name has letters"
