"""A plant that sends without pause, what is measured meanwhile, and what comes of the figures."""
