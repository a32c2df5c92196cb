"""The conform job: write a clip's track, read it back, and prove it."""
