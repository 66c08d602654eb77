"""Scan files to one judged measurement."""
