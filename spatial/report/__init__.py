"""Results to words, JSON and pictures."""
