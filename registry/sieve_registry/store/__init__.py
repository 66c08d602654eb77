"""The store: tables, migrations, the evidence folder, reading and writing."""
