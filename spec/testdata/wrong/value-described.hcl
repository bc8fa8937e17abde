host "larch" {}
controller "reel" {
  nvme {
    serial = true                # want "serial must be text\nIt is true or false"
    model  = { maker = "House" } # want "model must be text\nIt is a map of values"
  }
  drive { erase = image("/a") } # want "erase must be text\nIt is an answer of image\\(\\)"
}
guest "a" {
  borrows = [null] # want "borrows takes a controller\nThis is null"
}
