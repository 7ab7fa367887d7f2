"""Findings, repairs and their proof: the check at work, the truth for tuning, what to repair next."""
