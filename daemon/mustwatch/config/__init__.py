"""The configuration, and what the core makes of it."""
