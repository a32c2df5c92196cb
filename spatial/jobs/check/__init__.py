"""Five minutes before the next set-up: the newest clip and the newest take, and whether they would be usable."""
