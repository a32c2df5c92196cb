"""The order of the steps for each command: paths in, results out; prints nothing."""
