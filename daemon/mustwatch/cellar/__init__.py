"""Lots, vessels, sensors, readings, stages and the cellar book's entries. Pure."""
