"""The day job: every clip of a folder against every take in it."""
