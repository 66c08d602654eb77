"""A small invented laboratory: its scans, its three years, and what they come to."""
