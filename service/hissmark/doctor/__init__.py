"""Examines a site from all sides and says what is wrong and what to do."""
