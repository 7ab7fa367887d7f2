"""What the site knows, out over MQTT: verdicts and rises as JSON, SenML and Sparkplug B."""
