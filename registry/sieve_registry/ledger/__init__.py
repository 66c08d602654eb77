"""The ledger: its events and records, their canonical bytes, and a chain of hashes over them."""
