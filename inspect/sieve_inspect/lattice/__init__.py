"""Where the openings are: found, linked and numbered by row and column."""
