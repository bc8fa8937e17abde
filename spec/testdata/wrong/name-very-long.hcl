host "larch" {}
guest "a-name-so-long-that-the-summary-has-to-be-cut-after-sixty-characters" {}
guest "a-name-so-long-that-the-summary-has-to-be-cut-after-sixty-characters" {} # want "^second guest named \"a-name-so-long-that-the-summary-has-to-…\n"
