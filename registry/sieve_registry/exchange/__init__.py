"""Tables, archives, backups."""
