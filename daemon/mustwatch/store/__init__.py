"""The embedded store (SQLite), the InfluxDB mirror and its spool."""
