host "larch" {}
images = "/srv/images" # want "images stands outside of all blocks\n(.*\n)+.*value.images"
