"""Recorded samples from files into the store of a site, as if they had come in time."""
