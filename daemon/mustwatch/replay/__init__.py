"""A recorded history run through the same evaluation."""
