"""Trying settings on stored history before they go live, and the settings in force."""
