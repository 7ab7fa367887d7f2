"""OPC UA server of a site: live values, history and alarms for control systems and historians."""
