"""Worker pools for measuring tasks, and the result cache."""
