"""The trade's science: density, sugar, alcohol, sulfite, enrichment, calibration. Pure.

Every public formula names its source, its unit and where it holds, and raises ``OutOfRangeError`` outside of
that. Gravity is specific gravity 20/20 °C from true densities unless a name says otherwise.
"""
