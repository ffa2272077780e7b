"""Worlds: ferments, rooms, floats and people drawn from wide ranges, with nothing of what the watch takes for granted.

Beside the scenarios, which tell stories with one kinetic model, a world asks whether what the watch says holds in a
cellar nobody had in mind. A *tuning* world is drawn from part of the families and ranges; the *check set* from all of
them, and its seeds and truths are for the report alone.
"""
