"""Whether a track is heard where and when its performers are seen: arrays in, small frozen results out."""
