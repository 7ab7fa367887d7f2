"""What leaves the service while it runs: live state for the pages, sentences, metrics, server-sent events."""
