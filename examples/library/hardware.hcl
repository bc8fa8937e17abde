# The drive that tapes are read to.
controller "tape" {
  nvme {
    serial = "RL-4410-0119"
  }
  return {
    within     = "1m"
    on_failure = "alarm" # nothing else needs this drive: only say so
  }
}

# The network card that sits beside it. The two share an IOMMU group, that is,
# the hardware cannot keep one apart from the other, so they are lent together.
# A card has no serial: it is known by vendor and device, as lspci -n prints
# them. Add slot = "…" where a host has two of a kind.
controller "feed" {
  pci {
    vendor = "8086"
    device = "10d3"
  }
}
