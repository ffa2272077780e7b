"""Overnight review, cellar record, charts' data: queries, not drawing."""
