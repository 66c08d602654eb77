"""Openings located, linked and numbered by row and column."""
