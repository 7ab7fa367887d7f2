"""Backups: a consistent copy of a running site in open formats, and the way back."""
