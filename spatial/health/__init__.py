"""Whether a recording is sound: arrays in, small frozen results out."""
