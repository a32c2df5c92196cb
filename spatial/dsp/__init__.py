"""Samples and the transforms that every measurement shares."""
