host "larch" {}
controller "one" {
  pci { functions = ["10de:2484"] } # want "functions cannot have 1\nA slot with several"
}
controller "two" {
  pci { functions = ["10de:2485", "228b"] } # want "functions: \"228b\" is not usable"
}
controller "three" {
  pci {
    functions = ["10de:2486", "10de:228b"]
    vendor    = "10de" # want "vendor stands beside functions"
    function  = 0      # want "function stands beside functions"
  }
}
controller "four" {
  pci { functions = "10de:2487" } # want "functions must be a list of texts"
}
controller "five" {
  pci { functions = ["10de:2488", 7] } # want "functions must be a list of texts"
}
controller "six" {
  pci { functions = [] } # want "functions cannot have 0"
}
controller "seven" {
  pci { slot = "3" } # want "pci needs vendor" "pci needs device"
}
