host "larch" {}
guest "a" {
  memory {
    size       = gib(2)
    huge_pages = "1GiB" # want "huge_pages must be true, false or the size of a page\nIt is text.\nwrite true, mib\\(2\\) or gib\\(1\\)"
  }
}
guest "b" {
  memory {
    size       = gib(2)
    huge_pages = 2 # want "no huge page has that size\nIt is 2 bytes"
  }
}
guest "c" {
  memory {
    size       = gib(3)
    huge_pages = mib(3) # want "no huge page has that size"
  }
}
guest "d" {
  memory {
    size       = gib(1) + mib(512)
    huge_pages = gib(1) # want "the memory is not whole huge pages\nIt is 1610612736 bytes, a page has 1073741824.\nchange size"
  }
}
guest "e" {
  memory {
    size       = gib(2)
    huge_pages = -mib(2) # want "no huge page has that size"
  }
}
