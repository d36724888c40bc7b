"""Labels of one's own photos: proposals out, corrections in, hand-measured widths, and which photos first."""
