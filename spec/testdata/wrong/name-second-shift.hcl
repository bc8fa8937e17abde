host "larch" {}
shift "day" { guests = [] }
shift "day" { guests = [] } # want "second shift named \"day\""
