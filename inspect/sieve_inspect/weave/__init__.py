"""Where each opening is, and how wide: lattice, edge response, widths, flags."""
