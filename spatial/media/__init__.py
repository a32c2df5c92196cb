"""The only code that opens files: takes, movies, marks, and safe writing."""
