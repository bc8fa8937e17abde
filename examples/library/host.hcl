# The layout of a small library that digitizes its tapes. All files of this
# directory are one layout; how it is split over files, and the order in them,
# is a matter of taste. Here: the host and what is shared, the hardware, and
# the guests.

host "larch" {
  never_lend = ["RL-4410-0088"] # a spare drive that nobody may lend by mistake
}

# Named values, read as value.NAME in any file.
values {
  images = "/srv/images"
  bridge = "br-house"

  # Half of the host's memory for the guest that reads tapes in, but at most
  # 2 GiB. survey.memory is read off the host, or from the file that is given
  # with --survey. Memory is counted in whole MiB, so the half is rounded down.
  ingest_memory = min(gib(2), mib(floor(survey.memory / 2 / mib(1))))
}
