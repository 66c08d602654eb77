"""The ledger: canonical bytes, and a chain of hashes over everything recorded."""
