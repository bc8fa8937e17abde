host "larch" {}
-- the guests # want "\"-\" does not begin a line\n\nbegin a comment with #"
