"""The report of a period: what stood, what was repaired, how the alarm system did; as HTML and as PDF."""
