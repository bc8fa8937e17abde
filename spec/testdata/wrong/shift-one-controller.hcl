host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" { borrows = [controller.reel] }
guest "b" { borrows = [controller.reel] }
shift "day" { guests = [guest.a] }
shift "night" { guests = [guest.b] }
shift "both" {
  guests = [
    guest.a,
    guest.b, # want "two guests of a shift borrow one controller\nIn the shift \"both\" both guest.a and guest.b borrow controller.reel"
  ]
}
