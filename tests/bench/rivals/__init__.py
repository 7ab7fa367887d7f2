"""Other ways of finding the passing valve, on ten-minute floors, for comparison in the same run."""
