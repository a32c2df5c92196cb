"""Camera movies: their sound on picture time, how their pictures are shown, small copies of them."""
