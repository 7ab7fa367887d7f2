"""Simulated plants with the truth kept beside every sample. Knows nothing of how levels are judged."""
