"""Pictures of results: ink on paper, one accent."""
