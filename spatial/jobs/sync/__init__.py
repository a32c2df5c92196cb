"""The sync job: which take belongs to a clip, where it starts, how the clocks drift."""
