"""The HTTP API under /api/v1, one file per noun."""
