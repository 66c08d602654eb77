"""From scans to one judged measurement."""
