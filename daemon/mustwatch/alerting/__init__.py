"""The life of an alert, whom to tell and when, and in what words. Pure."""
