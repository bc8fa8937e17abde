host "larch" {}
# want-next "this text of several lines is never closed\nIt goes on up to a line on which END stands alone"
values { a = <<END
  some lines
}
