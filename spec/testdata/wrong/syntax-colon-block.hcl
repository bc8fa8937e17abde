host: "larch" {} # want "\":\" cannot stand between a name and its block"
