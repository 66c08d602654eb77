"""The table of openings: widths, states and flags."""
