"""Arrays in, small frozen results out: sync, direction, orientation, verification."""
