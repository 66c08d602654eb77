"""The technician's page, served on this computer alone: scans in, verdict out, one name below."""
