"""The inspect job: what a recording is, and whether it is sound."""
