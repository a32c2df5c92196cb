"""The handover job: a day as its editor takes it over, and proof that its originals are as they were."""
