"""The page of the technician: measure scans, review the verdict, record it; local only."""
