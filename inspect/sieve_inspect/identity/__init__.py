"""A cloth recognised again by its widths, and what changed since; see IDENTITY.md beside this."""
