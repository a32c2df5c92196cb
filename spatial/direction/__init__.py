"""Where sound comes from: arrays in, small frozen results out."""
