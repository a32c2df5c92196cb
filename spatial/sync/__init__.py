"""Where a clip lies in a take and how the two clocks drift: arrays in, small frozen results out."""
