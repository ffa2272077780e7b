"""What every picture is made of: planes and ticks, lines, areas, dots and words; drawn as SVG or PNG."""
