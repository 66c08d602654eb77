"""A small invented laboratory: its scans, its three years, its results."""
