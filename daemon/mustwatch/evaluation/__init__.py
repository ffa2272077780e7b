"""Where readings become conclusions: used alike by the daemon, `replay` and the recording commands."""
