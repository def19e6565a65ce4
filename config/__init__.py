"""Settings, devices, CSV layouts and saved queries: data that the code reads and never changes."""
