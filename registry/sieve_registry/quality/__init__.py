"""Non-conforming work, reference checks, repeatability, decisions and corrections."""
