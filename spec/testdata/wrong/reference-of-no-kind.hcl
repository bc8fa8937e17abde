host "larch" {}
shift "day" { guests = [guest.grading] } # want "there is no guest \"grading\"\nThe layout states no guest at all"
