"""The review job: what a page needs to show and to play a clip with its take."""
