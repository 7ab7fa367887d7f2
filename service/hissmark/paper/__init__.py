"""What goes on paper: certificates and reports as PDF, black on white, with the same pictures in HTML."""
