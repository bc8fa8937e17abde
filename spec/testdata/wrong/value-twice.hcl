host "larch" {}
values { images = "/srv/images" }
values { images = "/srv/other" } # want "second value named \"images\"\nThe first one is at value-twice.hcl:2"
