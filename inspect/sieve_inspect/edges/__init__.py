"""Edges of wires: the edge spread function, the matched filter and the full fit."""
