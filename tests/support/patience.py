"""How long a test waits for what has to happen: far longer than it takes, for machines that do much else."""

PATIENCE_S = 150.0
"""A wait ends as soon as what is waited for is there: patience costs time only when a test fails."""
