"""The trade's science: density, sugar, alcohol, sulfite, enrichment, calibration. Pure."""
